"""The data dictionary of the output tables, from their columns and the registry of measures."""

from __future__ import annotations

from outflow_cohort.study import outputs

CAUTION = (
    "For research only, not for treating a patient. Measurements need a qualified reader's review; clinical decisions "
    "rest with licensed physicians, the device's instructions and local protocol."
)

TABLES = (
    ("measurements/", "one row a measured value; a folder of Parquet parts", outputs.MEASUREMENTS),
    ("curves/", "section areas along the outflow path; a folder of Parquet parts", outputs.CURVES),
    ("views/", "C-arm views, degrees; a folder of Parquet parts", outputs.VIEWS),
    ("privacy.parquet", "one row a finding of the privacy check; never a value", outputs.PRIVACY),
    ("set_aside.parquet", "everything that went in and did not come out, with the reason", outputs.SET_ASIDE),
    ("plans.parquet", "one row per plan: device, depth, anchor, tilt, offset", outputs.PLANS),
)


def data_dictionary() -> str:
    """RESULTS/tables/README.md."""
    from outflow_cohort.stats.data.table_meanings import statistics_dictionary
    from outflow_geometry.measures.registry import REGISTRY

    lines = ["# Tables", "", CAUTION, "", "Points LPS in mm, angles in degrees, areas in mm2; 95 % intervals.",
             "Each table has a Frictionless Table Schema beside it (NAME.schema.json).", ""]  # fmt: skip
    for name, meaning, columns in TABLES:
        lines += [f"## {name}", "", meaning, "", "| column | type | meaning |", "|---|---|---|"]
        lines += [f"| {c.name} | {c.dtype} | {c.meaning} |" for c in columns] + [""]
    lines += [
        "## series.parquet",
        "",
        "one row a series: verdict, reason codes, geometry, phase and its source, image quality",
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
