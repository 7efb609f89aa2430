"""What a run can say to the items of reporting checklists: counts and choices of this run, in plain sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from outflow_cohort.stats.data.one_value import ALL_GROUPS, PHASE_RULES
from outflow_cohort.stats.data.settings import USABLE_STATUSES

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings


def run_facts(
    cases: pd.DataFrame,
    measured: int,
    set_aside: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    settings: StatisticsSettings,
    rule: str,
) -> dict[str, str]:
    """Facts by key of `checklists`. measured : cases with any usable value; set_aside : rows of that table; tables :
    those of the cohort part."""
    facts = {
        "flow": _flow(len(cases), measured, set_aside),
        "measurement": "Measured in batch from computed tomography by written definitions (data dictionary of the "
        f"tables); one value per case: {rule}; {PHASE_RULES[settings.phase_rule]}.",
        "handling": f"{handling(settings)} Groups of fewer than {settings.fewest_values} cases have no interval and "
        "no standardised difference.",
        "statistics": _statistics(tables, settings),
        "variability": "Agreement within and between readers: table agreement; the checklist of reliability studies "
        "(GRRAS) is in table grras.",
    }
    if len(tables["baseline"]):
        columns = tables["baseline"]["column"].nunique()
        facts["characteristics"] = f"Table baseline: {columns} columns by group, with missing cells counted."
    gaps = tables["missing_data"]
    gaps = gaps[(gaps["statistic"] == "share_missing") & (gaps["group"] == ALL_GROUPS)]
    facts["missing"] = (
        f"Table missing_data: {len(gaps)} reasons of gaps, at most {100 * gaps['estimate'].max():.0f} % of cases. "
        if len(gaps)
        else "No case lacks a value. "
    ) + "Analyses rest on complete cases unless the row says that gaps were filled."
    return facts | _outcome_facts(tables, settings)


def handling(settings: StatisticsSettings) -> str:
    """Which values count, in words; statuses are named only where the study departs from the defaults."""
    text = (
        "A value whose status says that it may be wrong does not count; one whose status only limits how far it "
        "carries does, and so do values of a case whose images or points another case has too, until it is clear "
        "whose they are (the handbook explains each status)."
    )
    for words, given, other in (
        ("Counted as well", settings.usable_statuses, USABLE_STATUSES),
        ("Not counted either", USABLE_STATUSES, settings.usable_statuses),
    ):
        names = [code.replace("_", " ") for code in given if code not in other]
        if names:
            text += f" {words}, by the study's own choice: {', '.join(names)}."
    return text


def _flow(n: int, measured: int, set_aside: pd.DataFrame) -> str:
    text = f"{n} cases in the case table, {measured} with at least one usable value."
    if len(set_aside):
        counted = set_aside.groupby("code")["case_id"].nunique().sort_values(ascending=False, kind="stable")
        reasons = ", ".join(f"{str(code).replace('_', ' ')} {count}" for code, count in counted.items())
        text += f" Set aside, in cases by reason (a case may have several): {reasons}."
    return text + " The account is closed at the end of each run: in = measured + set aside."


def _statistics(tables: Mapping[str, pd.DataFrame], settings: StatisticsSettings) -> str:
    """What was really computed: the sources of the rows that have an estimate."""
    done = []
    for name, frame in tables.items():
        if not len(frame) or "source" not in frame or name in ("grras", "reporting"):
            continue
        column = next((c for c in ("estimate", "mean", "share", "net_benefit", "sensitivity") if c in frame), None)
        used = frame if column is None else frame[frame[column].notna()]
        sources = sorted({part for text in used["source"] for part in str(text).split("; ") if part})
        if sources:
            done.append(f"{name.replace('_', ' ').capitalize()}: {'; '.join(sources)}")
    return f"Intervals {100 * settings.confidence:g} %. " + ". ".join(done) + "."


def _outcome_facts(tables: Mapping[str, pd.DataFrame], settings: StatisticsSettings) -> dict[str, str]:
    rows = tables["endpoints"]
    if not settings.outcomes or not len(rows):
        return {}
    facts: dict[str, str] = {}
    counts = rows[rows["statistic"] == "auc"].drop_duplicates("outcome")
    counted = [
        f"{str(r.outcome).replace('_', ' ')}: {r.n_events} events, {r.n_non_events} without"
        for r in counts.itertuples()
    ]
    facts["events"] = "; ".join(counted) + "."
    facts["outcome"] = "; ".join(
        f"{o.column.replace('_', ' ')} ({o.endpoint.replace('_', ' ') or 'definition not stated'}): {o.event} = event, "
        f"{o.no_event} = none"
        for o in settings.outcomes
    )
    given = rows[rows["statistic"] == "true_positives"]
    if len(given):
        facts["cutoffs"] = (
            f"{given['cutoff_id'].nunique()} cut-offs stated beforehand (table endpoints); Youden's is found."
        )
        tables_found = "two-by-two table" if len(given) == 1 else "two-by-two tables"
        facts["two_by_two"] = f"Table endpoints: {len(given)} {tables_found}, with likelihood ratios."
    areas = rows[(rows["statistic"] == "auc") & rows["estimate"].notna()]
    if len(areas):
        first = areas.iloc[0]
        facts["accuracy"] = (
            f"Table endpoints: {len(areas)} areas under the curve, first {first['estimate']:.2f} "
            f"({first['ci_low']:.2f} to {first['ci_high']:.2f}); calibration in table calibration_curves."
        )
        facts["results"] = "Tables endpoints (unadjusted), adjusted_models and time_to_event (adjusted)."
        facts["model"] = (
            f"Ridge logistic model of one measure (penalty {settings.penalty:g}); optimism from "
            f"{settings.n_boot_model} bootstrap draws; calibration, Brier score, net benefit."
        )
        facts["coefficients"] = "Table endpoints: model_intercept and model_coefficient of each measure."
        facts["model_output"] = "The chance of the event."
    else:
        few = f"fewer than {settings.fewest_events} events or non-events"
        facts["accuracy"] = facts["model"] = facts["coefficients"] = f"Withheld: {few}."
    return facts
