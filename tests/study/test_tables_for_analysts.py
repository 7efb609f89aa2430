"""Tables open unchanged in pandas, polars and DuckDB; schemas say what is in them; documented questions run."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from pandas.io.json import build_table_schema
from small_results import AREAS, GROUPS, MITRAL, make_results

from outflow_cohort.cli import EXIT_OK, EXIT_USAGE, main
from outflow_cohort.files import write_parquet
from outflow_cohort.handbook.questions import LANGUAGES, R_READ, questions, questions_page
from outflow_cohort.study.dictionary import TABLES
from outflow_cohort.study.outputs import CURVES, MEASUREMENTS, VariantParts, variant_parts
from outflow_cohort.study.table_schema import table_schema, write_table_schema

DATASETS = ("measurements", "curves", "views")
FILES = ("series", "privacy", "set_aside", "plans")


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_results(tmp_path_factory.mktemp("results"))


@pytest.mark.parametrize("name", DATASETS + FILES)
def test_three_readers_see_the_same_table(results: Path, name: str):
    place = results / "tables" / (name if name in DATASETS else f"{name}.parquet")
    pattern = f"{place}/*.parquet" if name in DATASETS else str(place)
    by_pandas = pd.read_parquet(place)
    by_polars = pl.read_parquet(pattern).to_pandas()
    by_duckdb = duckdb.sql(f"FROM read_parquet('{pattern}')").df()
    assert list(by_pandas.columns) == list(by_polars.columns) == list(by_duckdb.columns)
    for other in (by_polars, by_duckdb):
        pd.testing.assert_frame_equal(by_pandas, other, check_dtype=False)


@pytest.mark.parametrize("name", DATASETS + FILES)
def test_each_table_has_a_schema_that_fits_it(results: Path, name: str):
    """Oracle for the types: pandas' own implementation of the Table Schema specification."""
    schema = json.loads((results / "tables" / f"{name}.schema.json").read_text())
    frame = pd.read_parquet(results / "tables" / (name if name in DATASETS else f"{name}.parquet"))
    assert [f["name"] for f in schema["fields"]] == list(frame.columns)
    theirs = {f["name"]: f["type"] for f in build_table_schema(frame, index=False, version=False)["fields"]}
    for field in schema["fields"]:
        # pandas holds whole numbers with gaps as floats, and a column without values as text
        if frame[field["name"]].notna().any() and field["name"] != "read_no":
            assert field["type"] == theirs[field["name"]], field
        assert field["description"]


def test_schemas_constrain_what_the_registry_fixes(results: Path):
    schema = json.loads((results / "tables/measurements.schema.json").read_text())
    measure = next(f for f in schema["fields"] if f["name"] == "measure")
    used = set(pd.read_parquet(results / "tables/measurements")["measure"])
    assert used <= set(measure["constraints"]["enum"])
    assert schema["missingValues"] == [""]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [(pa.string(), "string"), (pa.large_string(), "string"), (pa.int64(), "integer"), (pa.float64(), "number"),
     (pa.bool_(), "boolean"), (pa.dictionary(pa.int32(), pa.string()), "string"), (pa.null(), "any")],
)  # fmt: skip
def test_types_of_the_specification(kind: pa.DataType, expected: str):
    schema = table_schema(pa.schema([("thing", kind)]), "anything")
    assert schema["fields"] == [{"name": "thing", "type": expected}]


def test_a_table_of_statistics_gets_its_meanings(tmp_path: Path):
    write_parquet(tmp_path / "cutoffs.parquet", pd.DataFrame({"case_id": ["a"], "measure": ["m"], "n_below": [3]}))
    write_table_schema(tmp_path, "cutoffs")
    schema = json.loads((tmp_path / "cutoffs.schema.json").read_text())
    assert {f["name"]: f["type"] for f in schema["fields"]} == {
        "case_id": "string",
        "measure": "string",
        "n_below": "integer",
    }
    assert next(f for f in schema["fields"] if f["name"] == "n_below")["description"] == "cases below the cut-off"


def test_the_dictionary_tells_of_every_column(results: Path):
    text = (results / "tables/README.md").read_text()
    for _, _, columns in TABLES:
        for column in columns:
            assert f"| {column.name} | {column.dtype} |" in text
    for name in pd.read_parquet(results / "tables/series.parquet").columns:
        assert f"| {name} | " in text


def test_the_wide_form_holds_the_same_values(results: Path, tmp_path: Path):
    output = tmp_path / "wide.csv"
    assert main(["wide", str(results), "--output", str(output)]) == EXIT_OK
    wide = pd.read_csv(output, keep_default_na=False, na_values=[""])
    long = pd.read_parquet(results / "tables/measurements")
    keys = ["case_id", "phase_pct", "reader_id", "read_no", "plan_id"]
    assert not wide.duplicated(keys).any()
    assert len(wide) == len(long.drop_duplicates(keys))
    row = wide[(wide["case_id"] == "K2") & (wide["phase_pct"] == 70) & (wide["plan_id"] == "p1")].iloc[0]
    assert row["neo_lvot_area.skirt.automatic_path"] == AREAS["K2"][70.0]
    ash = wide[(wide["case_id"] == "K1") & (wide["reader_id"] == "birch")].iloc[0]
    assert ash["mitral_area.spline.reader_points"] == MITRAL["K1", "birch"]
    quantities = [c for c in wide.columns if c not in keys]
    assert wide[quantities].notna().sum().sum() == long["value"].notna().sum()
    schema = json.loads((tmp_path / "wide.schema.json").read_text())
    assert [f["name"] for f in schema["fields"]] == list(wide.columns)
    assert {f["description"] for f in schema["fields"] if f["name"] in quantities} == {"[mm2]"}


def test_the_wide_form_needs_a_finished_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["wide", str(tmp_path), "--output", str(tmp_path / "w.csv")]) == EXIT_USAGE
    assert "tables/measurements" in capsys.readouterr().err


def in_order(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.sort_values(list(frame.columns)).reset_index(drop=True)


def by_python(code: str) -> pd.DataFrame:
    names: dict = {}
    exec(code, names)
    answer = names["answer"]
    return in_order(answer if isinstance(answer, pd.DataFrame) else answer.to_pandas())


@pytest.mark.parametrize("question", questions(), ids=lambda q: q.title[:20])
def test_the_answers_of_a_documented_question_agree(question, results: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(results)
    by_pandas = by_python(question.pandas)
    assert len(by_pandas)
    for other in (by_python(question.polars), in_order(duckdb.sql(question.sql).df())):
        pd.testing.assert_frame_equal(by_pandas, other, check_dtype=False)
    page = questions_page()
    assert all(getattr(question, name) in page for name in LANGUAGES)


def test_the_documented_answers_are_right(results: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(results)
    counted, by_group, events, systole, below, readers, narrowest, depth, statuses, open_cases = (
        by_python(q.pandas) for q in questions()
    )
    assert sorted(counted.itertuples(index=False, name=None)) == [
        ("measured", "", 3),
        ("set_aside", "missing_slices", 1),
    ]
    smallest = {k: min(phases.values()) for k, phases in AREAS.items()}
    native = [smallest[k] for k in AREAS if GROUPS[k] == "native"]
    row = by_group.set_index("group").loc["native"]
    assert (row["n"], row["mean"], row["smallest"]) == (2, sum(native) / 2, min(native))
    assert list(events.itertuples(index=False, name=None)) == [(False, 1, 0), (True, 2, 2)]
    assert dict(zip(systole["case_id"], systole["phase_pct"], strict=True)) == {"K1": 30.0, "K2": 70.0, "K3": 30.0}
    assert set(systole["found_by"]) == {"smallest_neo_lvot_area"}
    assert list(below.itertuples(index=False, name=None)) == [("K2", 70.0, 140.0), ("K3", 30.0, 165.0)]
    assert (readers.loc[0, "n"], readers.loc[0, "mean"]) == (2, 5.0)
    assert readers.loc[0, "sd"] == pytest.approx(15 * 2**0.5)
    assert set(narrowest["station_mm"]) == {-5.0}
    assert sorted(narrowest["left"]) == sorted(AREAS[k][30.0] / 400 for k in AREAS)
    areas = [a for phases in AREAS.values() for a in phases.values()]
    assert list(depth.itertuples(index=False, name=None)) == [
        ("Lumen-29", 12.0, pytest.approx(sum(areas) / len(areas)))
    ]
    assert list(statuses.itertuples(index=False, name=None)) == [("neo_lvot_area", "leak", 3)]
    assert list(open_cases["case_id"]) == ["K3"]


needs_r = pytest.mark.skipif(not shutil.which("Rscript"), reason="needs R (Debian's r-base-core)")
READ_AS_CSV = 'read_table <- function(path) read.csv(paste0(sub("[.]parquet$", "", path), "_as.csv"))\n'
"""In the place of R's arrow, which is in no Debian release: the same rows handed over as CSV."""


@pytest.fixture(scope="module")
def results_as_csv(results: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("for_r") / "results"
    shutil.copytree(results, folder)
    for name in ("measurements", "curves", "phases.parquet", "plans.parquet", "readings/neo_lvot_area.parquet"):
        place = folder / "tables" / name
        frame = pd.read_parquet(place)
        for column in frame.select_dtypes("bool"):  # as R writes them
            frame[column] = frame[column].map({True: "TRUE", False: "FALSE"})
        frame.to_csv(place.with_name(f"{place.stem}_as.csv"), index=False)
    return folder


def run_r(script: str, folder: Path) -> pd.DataFrame:
    """What the R `script` leaves as `answer`, run in `folder`."""
    out = folder / "answer_of_r.csv"
    script += f"\nwrite.csv(answer, {json.dumps(str(out))}, row.names = FALSE)\n"
    done = subprocess.run(["Rscript", "-"], input=script, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return in_order(pd.read_csv(out, keep_default_na=False))


@needs_r
@pytest.mark.parametrize("question", questions(), ids=lambda q: q.title[:20])
def test_r_gives_the_documented_answer(question, results_as_csv: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(results_as_csv)
    expected = by_python(question.pandas)
    found = run_r(READ_AS_CSV + question.r, results_as_csv)
    pd.testing.assert_frame_equal(found, expected, check_dtype=False)


@needs_r
def test_r_arrow_opens_the_tables_unchanged(results_as_csv: Path):
    has_arrow = ["Rscript", "-e", 'quit(status = !requireNamespace("arrow", quietly = TRUE))']
    if subprocess.run(has_arrow, capture_output=True, check=False).returncode:
        pytest.skip("R's package arrow is not installed; Debian does not carry it")
    names = run_r(R_READ + 'answer <- data.frame(name = names(read_table("tables/measurements")))', results_as_csv)
    assert set(names["name"]) == {c.name for c in MEASUREMENTS}


def test_columns_come_in_the_order_of_the_contract(results: Path):
    assert list(pd.read_parquet(results / "tables/measurements").columns) == [c.name for c in MEASUREMENTS]
    assert list(pd.read_parquet(results / "tables/curves").columns) == [c.name for c in CURVES]


@pytest.mark.parametrize(
    ("measure", "variant", "parts"),
    [("neo_lvot_area", "skirt", ("skirt", "", "")),
     ("neo_lvot_area", "full_frame/min_over_phases", ("full_frame", "min_over_phases", "")),
     ("neo_lvot_chance_below", "full_frame/a/b", ("full_frame", "", "a/b")),
     ("neo_lvot_diameter", "leaflet_limited/max", ("leaflet_limited", "", "")),
     ("mitral_area", "d_shape", ("", "", "")), ("aortic_area", "", ("", "", "")), ("unheard_of", "x/y", ("", "", ""))],
)  # fmt: skip
def test_a_variant_is_split_as_the_registry_writes_it(measure: str, variant: str, parts: tuple[str, str, str]):
    assert variant_parts(measure, variant) == VariantParts(*parts)


def test_the_parts_of_a_variant_have_columns_of_their_own(results: Path):
    long = pd.read_parquet(results / "tables/measurements").query("measure == 'neo_lvot_area' and solid == 'skirt'")
    assert set(long.query("phase_rule == ''")["variant"]) == {"skirt"}
    assert set(long.query("phase_rule == 'end_systole'")["variant"]) == {"skirt/end_systole"}
    assert (pd.read_parquet(results / "tables/curves")["solid"] == "skirt").all()


def test_plans_have_device_and_depth_without_a_join(results: Path):
    plans = pd.read_parquet(results / "tables/plans.parquet")
    assert list(plans["case_id"]) == ["K1", "K2", "K3"]
    assert set(plans["ventricular_depth_mm"]) == {12.0}
    assert set(plans["nominal_diameter_mm"]) == {29.0}


def test_each_measure_has_a_table_with_one_row_per_reading_and_plan(results: Path):
    long = pd.read_parquet(results / "tables/measurements").query("measure == 'neo_lvot_area'")
    wide = pd.read_parquet(results / "tables/readings/neo_lvot_area.parquet")
    keys = ["case_id", "phase_pct", "reader_id", "read_no", "plan_id"]
    assert not wide.duplicated(keys).any()
    assert len(wide) == len(long.drop_duplicates(keys))
    row = wide[(wide["case_id"] == "K3") & (wide["phase_pct"] == 30)].iloc[0]
    assert row["skirt.automatic_path"] == AREAS["K3"][30.0]
    assert row["full_frame.automatic_path.status"] == "leak"
    assert pd.isna(row["full_frame.automatic_path"])
    values = [c for c in wide.columns if c.endswith("_path")]
    assert wide[values].notna().sum().sum() == long["value"].notna().sum()
    assert len(pd.read_parquet(results / "tables/readings/mitral_area.parquet")) == len(MITRAL)
