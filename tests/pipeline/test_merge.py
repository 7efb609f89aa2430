"""Results of several sites joined: differences listed, equal names kept apart, rows in = rows out, statistics of all."""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, main
from outflow_cohort.runs.merge_sites import DifferentSites, differences, merge_tables, read_sites
from outflow_cohort.stats.kernels.meta_analysis import pool_sites
from outflow_cohort.steps.merge import pool_summaries
from outflow_cohort.steps.statistics import statistics

sys.path.insert(0, str(Path(__file__).parents[1] / "stats"))
import cohort_study

REFERENCE = json.loads((Path(__file__).parents[1] / "reference/stats/r/meta_analysis.json").read_text())


def site(folder: Path, seed: int, **study: object) -> Path:
    """A finished run of an invented site, in tables only."""
    root = folder / "results"
    frame = cohort_study.measurements(12, seed=seed).assign(landmark_origin="marked")
    cohort_study.write_study(
        root, frame, case_table=cohort_study.cases(12, seed=seed), points=cohort_study.landmarks(12)
    )
    path = root / "work" / "study.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"definitions": {"section_rule": "aortic_side"}} | study))
    for name in ("curves", "views"):
        (root / "tables" / name).mkdir()
        pd.DataFrame({"case_id": ["C000"], "reader_id": ["R1"]}).to_parquet(
            root / "tables" / name / "part-00000.parquet"
        )
    pd.DataFrame({"case_id": ["C099"], "code": ["lost_slice"], "reader_id": [""], "stage": ["intake"]}).to_parquet(
        root / "tables" / "set_aside.parquet"
    )
    (root / "run.json").write_text(json.dumps({"versions": {"numpy": "2.4"}, "commit": "abc"}))
    return root


def test_equal_names_stay_apart_and_no_row_is_lost(tmp_path):
    sites = [site(tmp_path / name, seed) for name, seed in (("ash", 3), ("birch", 4))]
    counts = merge_tables(read_sites(sites), tmp_path / "all", without_columns=["age"])
    rows = pd.read_parquet(tmp_path / "all" / "tables" / "measurements")
    one = [len(pd.read_parquet(s / "tables" / "measurements")) for s in sites]
    assert counts["measurements"] == len(rows) == sum(one)
    assert rows["case_id"].nunique() == 24
    assert {"ash:R1", "birch:R1"} <= set(rows["reader_id"])
    cases = pd.read_parquet(tmp_path / "all" / "work" / "cases.parquet")
    assert cases["case_id"].is_unique
    assert set(cases["centre"]) == {"ash", "birch"}
    assert "age" not in cases
    statistics(results=tmp_path / "all", study=tmp_path / "all" / "work" / "study.json", part="readers")
    agreement = pd.read_parquet(tmp_path / "all" / "tables" / "agreement.parquet")
    assert agreement["n_readers"].max() == 6
    with pytest.raises(FileExistsError):
        merge_tables(read_sites(sites), tmp_path / "all")


@pytest.mark.slow
def test_the_whole_command_gives_statistics_and_report(tmp_path):
    sites = [site(tmp_path / name, seed) for name, seed in (("ash", 3), ("birch", 4))]
    assert main(["merge", *map(str, sites), "--output", str(tmp_path / "all")]) == EXIT_OK
    assert (tmp_path / "all" / "report" / "index.html").stat().st_size > 10_000
    assert len(pd.read_parquet(tmp_path / "all" / "tables" / "cohort_summary.parquet")) > 0


def test_every_difference_is_listed_and_refused(tmp_path, capsys):
    other = {"definitions": {"section_rule": "at_path"}, "device_table": {"D0": {"nominal_diameter_mm": 99.0}}}
    sites = [site(tmp_path / "ash", 3), site(tmp_path / "birch", 4, **other)]
    (sites[1] / "run.json").write_text(json.dumps({"versions": {"numpy": "2.3"}, "commit": "abc"}))
    told = "\n".join(map(str, differences(read_sites(sites))))
    for what in ("version of numpy", "definitions.section_rule", "device D0.nominal_diameter_mm"):
        assert what in told
    with pytest.raises(DifferentSites):
        merge_tables(read_sites(sites), tmp_path / "all")
    arguments = ["merge", *map(str, sites), "--output", str(tmp_path / "all")]
    assert main(arguments) == EXIT_STUDY
    assert "section_rule" in capsys.readouterr().err
    merge_tables(read_sites(sites), tmp_path / "all", accept=True)
    assert len(pd.read_csv(tmp_path / "all" / "differences.csv")) == len(differences(read_sites(sites)))


def test_pooled_mean_equals_metafor():
    """rma(method = "REML", test = "knha") of metafor's dat.bcg."""
    found = pool_sites(np.array(REFERENCE["yi"]), np.sqrt(REFERENCE["vi"]))
    own = {
        "estimate": found.estimate, "se": found.std_error, "low": found.ci_low, "high": found.ci_high,
        "tau2": found.between_variance, "i2": 100 * found.i_squared, "q": found.q,
    }  # fmt: skip
    for name, value in own.items():
        assert value == pytest.approx(REFERENCE[f"knha.{name}"], rel=1e-8)
    assert pool_sites(np.array([1.0]), np.array([0.1])).status == "one_site"


def test_summaries_alone_are_pooled(tmp_path):
    sites = [site(tmp_path / name, seed) for name, seed in (("ash", 3), ("birch", 4))]
    for root in sites:
        statistics(results=root, study=root / "work" / "study.json")
    assert main(["merge", *map(str, sites), "--summaries", "--output", str(tmp_path / "all")]) == EXIT_OK
    table = pd.read_csv(tmp_path / "all" / "pooled_summary.csv")
    assert pool_summaries(sites=sites, output=tmp_path / "again") == len(table)
    mine = table[
        (table["measure"] == "mitral_area") & (table["statistic"] == "mean") & (table["group"] == "all")
    ].squeeze()
    own = [pd.read_csv(s / "tables" / "cohort_summary.csv") for s in sites]
    rows = [t[(t["measure"] == "mitral_area") & (t["group"] == "all") & t["phase_pct"].isna()].squeeze() for t in own]
    assert min(r["mean"] for r in rows) < mine["estimate"] < max(r["mean"] for r in rows)
    assert (mine["n_sites"], mine["n_cases"]) == (2, sum(r["n"] for r in rows))
    assert {"icc_a_1", "rdc", "loa_upper", "mean"} <= set(table["statistic"])
