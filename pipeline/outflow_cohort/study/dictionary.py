"""The data dictionary of the output tables, from their columns and the registry of measures."""

from __future__ import annotations

from outflow_cohort.study import outputs

CAUTION = (
    "For research only, not for treating a patient. Measurements need a qualified reader's review; clinical decisions "
    "rest with licensed physicians, the device's instructions and local protocol."
)

TABLES = (
    ("measurements/", "one row per measured value; a folder of Parquet parts", outputs.MEASUREMENTS),
    ("curves/", "section areas along the outflow path; a folder of Parquet parts", outputs.CURVES),
    ("views/", "C-arm views, degrees; a folder of Parquet parts", outputs.VIEWS),
    ("privacy.parquet", "one row per finding of the privacy check; never a value", outputs.PRIVACY),
    ("landmark_findings.parquet", "one row per finding on a landmark, before measuring", outputs.LANDMARK_FINDINGS),
    (
        "implants/",
        "what each implant of the grid would leave free; no rows where study.yaml has no `implants`; "
        "one more column, chance_below_CUTOFF_ID, for each cut-off; a folder of Parquet parts",
        outputs.IMPLANTS,
    ),
    ("set_aside.parquet", "everything that went in and did not come out, with the reason", outputs.SET_ASIDE),
    ("final.parquet", "one final value per case, phase and measure, and how it came about", outputs.FINAL),
    ("plans.parquet", "one row per plan: device, depth, anchor, tilt, offset", outputs.PLANS),
)

CASES = (
    "## cases.csv, cases.xlsx",
    "",
    "Open these first: one row per case. Case facts and outcomes, what was measured, the plan and the phase used, "
    "and of each primary measure (`report.primary_measures` in study.yaml) NAME_UNIT (the value), NAME_low and "
    "NAME_high (95 % interval), NAME_status and, where there are several methods, NAME_method. The value follows "
    "the study's rules on readers, reads and phases, as in the report. A value is empty where no reading counts; "
    "its status says why. The interval of several readers is widened to hold each reader's value. Every column is "
    "described in cases.schema.json and on the second sheet of the workbook.",
    "",
    "**The neo-LVOT of each case at end-systole**: column `neo_lvot_area_mm2`, with its interval beside it. "
    "`phase_pct` is the phase it was taken in, and `phase_found_by` says how that phase was found "
    "(`smallest_lv_volume`: the phase in which the ventricle is smallest, which is end-systole). `solid`, `plan_id` "
    "and `neo_lvot_area_method` say for which part of the device, which plan and which path it holds. An empty "
    "value with a number under `neo_lvot_area_in_doubt` may be wrong: `neo_lvot_area_status` says why.",
    "",
    "## readings/MEASURE.parquet",
    "",
    "One table per measure with one row per case, phase, reader, read and plan. Of each variant and method four "
    "columns: VARIANT.METHOD (the value) and the same with .low, .high and .status. phase_pct is null in the rows "
    "of rules over the phases (end_systole, mean_systole, min_over_phases). `outflow-cohort wide` gives all "
    "measures as one CSV.",
    "",
    "## Before you average measurements/",
    "",
    "A row is one measure, variant, method, phase, reading and plan. Choose one of each first, by the columns "
    "`solid`, `phase_rule` (empty = the value of one phase), `cutoff_id`, `method` and `plan_id`: a mean over all "
    "rows mixes devices, paths and phases. phases.parquet names the end-systolic phase of each case.",
)


def data_dictionary() -> str:
    """RESULTS/tables/README.md."""
    from outflow_cohort.stats.data.table_meanings import statistics_dictionary
    from outflow_geometry.landmarks.findings import CODES
    from outflow_geometry.measures.registry import REGISTRY

    lines = ["# Tables", "", CAUTION, "", "Points LPS in mm, angles in degrees, areas in mm2; 95 % intervals.",
             "Each table has a Frictionless Table Schema beside it (NAME.schema.json).", ""]  # fmt: skip
    lines += [*CASES, ""]
    for name, meaning, columns in TABLES:
        lines += [f"## {name}", "", meaning, "", "| column | type | meaning |", "|---|---|---|"]
        lines += [f"| {c.name} | {c.dtype} | {c.meaning} |" for c in columns] + [""]
    lines += [
        "## series.parquet",
        "",
        "one row per series: verdict, reason codes, geometry, phase and its source, image quality",
        "",
        "| column | meaning |",
        "|---|---|",
        *(f"| {name} | {meaning} |" for name, meaning in outputs.SERIES_MEANINGS.items()),
        "",
    ]
    lines += statistics_dictionary()
    lines += [
        "## Measures",
        "",
        "| measure | variants | unit | method | definition | source |",
        "|---|---|---|---|---|---|",
    ]
    for m in REGISTRY:
        variants = ", ".join((*m.variants, *m.case_variants))
        cells = (m.id, variants, m.unit, ", ".join(m.methods), m.definition, m.source)
        lines.append("| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |")
    lines += ["", "## Codes of landmark findings", "", "| code | severity | meaning | remedy |", "|---|---|---|---|"]
    lines += [f"| {code} | {c.severity} | {c.meaning} | {c.remedy} |" for code, c in CODES.items()]
    lines += ["", "Readings set aside for their frame, unit or size are in `set_aside`, with their codes."]
    lines += ["", "SOLID is a solid variant, CUTOFF_ID a configured cut-off.", ""]
    lines += _statuses()
    return "\n".join(lines)


def _statuses() -> list[str]:
    """Every status of the column `status` of measurements, with level, meaning and remedy."""
    from outflow_cohort.study.status_codes import LEVEL_WORDS, status_table

    lines = ["## Statuses", "", "`ok` is a value without any remark. Levels:", ""]
    lines += [f"- {text}" for text in LEVEL_WORDS.values()]
    lines += ["", "| status | level | meaning | what to do |", "|---|---|---|---|"]
    return [*lines, *("| " + " | ".join(row) + " |" for row in status_table()), ""]
