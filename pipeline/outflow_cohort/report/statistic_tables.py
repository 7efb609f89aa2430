"""The tables of statistics as a reader wants them: one line per measure, figures that belong together in one cell.

The files under tables/ have every row and every digit; what is left out here is said in a note.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from outflow_cohort.report.charts_agreement import headline_rows
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import cell_text, frame_table
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import MISSING, difference_digits, estimate, interval, is_number, number, unit_text
from outflow_cohort.report.page import EMPTY_TABLE, Table, table_of
from outflow_cohort.report.wording import measure_title, method_text, variant_text, words
from outflow_cohort.stats.data.one_value import ALL_GROUPS

QUANTITY = ["measure", "variant", "method", "plan_id", "unit"]
RATIOS = ("icc", "ccc", "kappa", "concordance", "auc", "sensitivity", "specificity", "share")
"""Beginnings of the names of statistics that have no unit: two decimals."""


def quantity_cells(key: Sequence[str]) -> tuple[str, ...]:
    """Measure, variant, method and plan of a row, in words."""
    measure, variant, method, plan = key[:4]
    return measure_title(measure), variant_text(variant), method_text(method), plan or ""


QUANTITY_HEADER = ("Measure", "Variant", "Method", "Plan")


def agreement_overview(cohort: Cohort) -> Table | None:
    """One line per measure: cases, readers, ICC between and within readers, scatter of repeats."""
    rows = headline_rows(cohort.table("agreement"))
    if not has(rows, [*QUANTITY, "statistic", "comparison", "estimate", "ci_low", "ci_high"]):
        return None
    kept = ("icc_a_1", "icc_intra_single", "wsd", "rdc", "loa_lower", "loa_upper")
    rows = rows[rows["statistic"].isin(kept)]
    own = rows.groupby(QUANTITY[:4], sort=False)["unit"].transform(lambda u: next((x for x in u if x != "1"), "1"))
    lines = []
    for key, part in rows.assign(own_unit=own).groupby([*QUANTITY[:4], "own_unit"], sort=True):
        unit = key[4]

        def shown(statistic: str, comparison: str, part: pd.DataFrame = part, unit: str = unit) -> str:
            found = part[(part["statistic"] == statistic) & (part["comparison"] == comparison)]
            if not len(found):
                return MISSING
            row = found.iloc[0]
            if not is_number(row["estimate"]):
                return words(row["status"]) if row["status"] != "ok" else MISSING
            digits = 2 if statistic.startswith("icc") else difference_digits(unit)
            return estimate(row["estimate"], row["ci_low"], row["ci_high"], digits=digits)

        first = part.iloc[0]
        lines.append(
            (
                *quantity_cells(key), number(first["n_cases"], digits=0), number(first["n_readers"], digits=0),
                shown("icc_a_1", "all_readers"), shown("icc_intra_single", "all_readers"),
                shown("wsd", "within_readers"), shown("rdc", "all_readers"), unit_text(unit) or "1",
            )
        )  # fmt: skip
    header = (
        *QUANTITY_HEADER, "Cases", "Readers", "ICC(A,1), one reading", "ICC, two reads of one reader",
        "SD of repeated reads", "Reproducibility coefficient", "Unit",
    )  # fmt: skip
    note = (
        "Estimate (95 % interval), one phase per case. Reproducibility coefficient: two readers' single readings "
        "differ by less in 95 of 100 cases. tables/agreement.csv and agreement_detail.csv have every statistic "
        "and pair, with definition and source."
    )
    return table_of(header, lines, note) if lines else None


def summary_overview(cohort: Cohort) -> Table | None:
    """One line per measure, a column per group: median (quartiles), n."""
    rows = cohort.table("cohort_summary")
    if not has(rows, [*QUANTITY, "group", "phase_rule", "median", "q1", "q3", "n"]):
        return None
    rows = rows[(rows["phase_rule"] == cohort.statistics.phase_rule) & (rows["n"] > 0)]
    rows = rows[~rows["variant"].str.contains("/", regex=False) | (rows["measure"] == "neo_lvot_area")]
    groups = sorted(set(rows["group"]), key=lambda g: (g != ALL_GROUPS, g))
    lines = []
    for key, part in rows.groupby(QUANTITY, sort=True):
        unit = key[4]
        cells = []
        for group in groups:
            found = part[part["group"] == group]
            if not len(found):
                cells.append(MISSING)
                continue
            r = found.iloc[0]
            quartiles = interval(r["q1"], r["q3"], unit) if r["n"] > 3 else ""
            carried = int(r.get("n_carried", 0))
            n = f"{r['n']}, {carried} carried" if carried else f"{r['n']}"
            cells.append(f"{number(r['median'], unit)}{f' ({quartiles})' if quartiles else ''}; {n}")
        lines.append((*quantity_cells(key), unit_text(unit) or "1", *cells))
    header = (*QUANTITY_HEADER, "Unit", *(words(g).capitalize() for g in groups))
    note = (
        f"Median (quartiles, from four cases on); n. One value per case: {cohort.value_text}. "
        "tables/cohort_summary.csv has more."
    )
    if "n_carried" in rows and (rows["n_carried"] > 0).any():
        note += " Carried: values that rest on landmarks carried from another phase."
    return table_of(header, lines, note) if lines else None


def headline_cutoffs(cohort: Cohort) -> pd.DataFrame:
    """Rows of the cut-off table of the main solid and method, those of the chance below among them."""
    rows = cohort.table("cutoffs")
    if not has(rows, ["cutoff_id", "cutoff", "group", "plan_id", "variant", "method", "statistic", "estimate"]):
        return rows.head(0)
    _, solid, method = cohort.variant_of("neo_lvot_area")
    over_phases = rows["variant"].str.contains("/", regex=False) & (rows["statistic"] == "share_below")
    return rows[(rows["variant"].str.split("/").str[0] == solid) & (rows["method"] == method) & ~over_phases]


def cutoff_basis(cohort: Cohort) -> Table | None:
    """What each cut-off rests on: endpoint, patients, events, accuracy, source."""
    rows = cohort.table("cutoffs")
    carried = ["cutoff_endpoint", "cutoff_n", "cutoff_events", "cutoff_source", "cutoff_evidence"]
    if not has(rows, ["cutoff_id", "cutoff", *carried]):
        return None
    lines = [
        (f"{r['cutoff']:g}", *(str(r[c]) if r[c] not in (None, "") else MISSING for c in carried))
        for r in rows.drop_duplicates("cutoff_id").sort_values("cutoff").to_dict("records")
    ]
    header = ("Cut-off, mm²", "Endpoint", "Patients", "Events", "Source", "Evidence")
    return table_of(header, lines, caption="What the cut-offs rest on")


def cutoff_overview(cohort: Cohort) -> Table | None:
    """One line per cut-off, plan and group: cases below and expected cases below."""
    _, solid, method = cohort.variant_of("neo_lvot_area")
    lines = []
    rows = headline_cutoffs(cohort)
    for key, part in rows.groupby(["cutoff", "cutoff_id", "plan_id", "group"], sort=True) if len(rows) else ():
        counted = part[part["statistic"] == "share_below"]
        expected = part[part["statistic"] == "expected_share_below"]
        if not len(counted):
            continue
        r = counted.iloc[0]
        share = estimate(100 * r["estimate"], 100 * r["ci_low"], 100 * r["ci_high"], "pct")
        chance = number(100 * expected.iloc[0]["estimate"], "pct") if len(expected) else MISSING
        if chance != MISSING:
            chance += f" of {number(expected.iloc[0]['n'], digits=0)}"
        below = (
            f"{number(r['n_below'], digits=0)} of {number(r['n'], digits=0)}" if is_number(r["n_below"]) else MISSING
        )
        lines.append((f"{key[0]:g}", key[2], words(key[3]), below, share, chance))
    header = ("Cut-off, mm²", "Plan", "Group", "Cases below", "Share, % (95 %)", "Expected share, %")
    note = (
        f"{variant_text(solid).capitalize()}, {method_text(method)}. Cases below: of those whose value counts. "
        "Expected share: mean chance that the true area is below, from the scatter of landmarks and the image's "
        "noise, over all cases with such a chance, also those in doubt. A plan of one name is another "
        "device and depth in each case (tables/plans.csv). tables/cutoffs.csv has the other solids and paths."
    )
    return table_of(header, lines, note, "Cases below") if lines else None


def association_overview(cohort: Cohort) -> Table | None:
    """Rank correlations of the headline measures with numbers of the case table."""
    rows = cohort.table("associations")
    if not has(rows, [*QUANTITY, "with", "coefficient", "n", "estimate", "p_value"]):
        return None
    wanted = {spec.partition("/")[0]: cohort.variant_of(spec) for spec in cohort.settings.distributions}
    keep = [
        row["measure"] in wanted and (row["variant"], row["method"]) == wanted[row["measure"]][1:]
        for row in rows[["measure", "variant", "method"]].to_dict("records")
    ]
    rows = rows[pd.Series(keep, index=rows.index) & (rows["coefficient"] == "spearman") & rows["estimate"].notna()]
    rows = rows[~rows["with"].str.contains(" / ", regex=False)]
    lines = [
        (
            *quantity_cells([r[c] for c in QUANTITY]), column_label(cohort.statistics, str(r["with"])),
            number(r["n"], digits=0),
            estimate(r["estimate"], r["ci_low"], r["ci_high"], digits=2), p_text(r["p_value"]), p_text(r.get("p_holm")),
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    header = (*QUANTITY_HEADER, "With", "Cases", "Spearman's ρ (95 %)", "p", "p after Holm")
    note = (
        "Exploratory: no cause is meant. tables/associations.csv also has measures against each other, and "
        "Pearson's coefficient."
    )
    return table_of(header, lines, note) if lines else None


def p_text(value: object) -> str:
    """A p-value: three decimals, or `< 0.001`."""
    if not is_number(value):
        return MISSING
    return "< 0.001" if float(value) < 0.001 else f"{float(value):.3f}"  # type: ignore[arg-type]


ANSWERED_BY = {"run": "this run", "study": "the study", "nobody": "to be written"}


def checklist(cohort: Cohort) -> Table:
    """The fifteen items of the guideline: what the run or the study answers, and what the authors must still write."""
    rows = cohort.table("grras")
    if not has(rows, ["item", "section", "text", "answer", "answered_by", "filled"]):
        return EMPTY_TABLE
    answered = int(rows["filled"].sum())
    note = (
        f"{answered} of {len(rows)} items are answered by the run or by statistics.grras_facts in study.yaml; the "
        "authors write the others. Kottner J, et al. Guidelines for reporting reliability and agreement studies "
        "(GRRAS). J Clin Epidemiol 2011;64:96-106. tables/grras.csv has the same."
    )
    return checklist_table(rows.sort_values("item"), note)


def checklist_table(rows: pd.DataFrame, note: str) -> Table:
    """The items of one guideline. rows : item, section, text, answer, answered_by, filled."""
    lines = [
        (
            str(r["item"]), words(r["section"]), str(r["text"]),
            ANSWERED_BY.get(r["answered_by"], words(r["answered_by"])),
            str(r["answer"]) if r["filled"] else MISSING,
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    return table_of(("Item", "Section", "What is to be reported", "Answered by", "Answer"), lines, note)


NUMBERS_WITH_UNIT = (
    "estimate", "ci_low", "ci_high", "mean", "sd", "median", "q1", "q3", "minimum", "maximum", "std_error", "value",
)  # fmt: skip
LEFT_OUT = ("source", "readings_rule", "phase_rule", "boot_low", "boot_high", "interval")
"""Columns of a tidy table that a page leaves to the file."""


def plain_table(cohort: Cohort, name: str, most: int) -> Table | None:
    """A table of statistics much as it is: empty columns left out, digits by the row's unit, at most `most` rows."""
    frame = cohort.table(name)
    if not len(frame):
        return None
    keep = [
        c for c in frame.columns
        if c not in LEFT_OUT and frame[c].notna().any() and not (frame[c].astype(str) == "").all()
    ]  # fmt: skip
    shown = frame[keep].head(most)
    table = unit_table(shown)
    whole = f"The first {most} of {len(frame):,} rows; " if len(frame) > most else ""
    return Table(table.header, table.rows, f"{whole}tables/{name}.csv has all, with every column.")


def unit_table(frame: pd.DataFrame) -> Table:
    """A tidy table whose numbers take the digits of the row's own unit, where it has a column `unit`."""
    table = frame_table(frame, {})
    columns = [i for i, c in enumerate(frame.columns) if c in NUMBERS_WITH_UNIT]
    p_columns = [i for i, c in enumerate(frame.columns) if str(c).startswith("p_")]
    at = list(frame.columns).index("unit") if "unit" in frame else None
    names = frame["statistic"].astype(str) if "statistic" in frame else pd.Series("", index=frame.index)
    rows = []
    for row, raw, name in zip(table.rows, frame.itertuples(index=False, name=None), names, strict=True):
        cells = list(row)
        unit = str(raw[at]) if at is not None else ""
        for i in columns:
            ratio = name.startswith(RATIOS) or unit == "1"
            cells[i] = number(raw[i], digits=2) if ratio else cell_text(raw[i], unit)
        for i in p_columns:
            cells[i] = p_text(raw[i])
        if at is not None:
            cells[at] = unit_text(unit) or MISSING
        rows.append(tuple(cells))
    return Table(table.header, tuple(rows))
