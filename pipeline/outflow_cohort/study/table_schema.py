"""A Frictionless Table Schema beside each table, so that any tool knows its columns, types and meanings.

Source: Table Schema specification, version 1 (specs.frictionlessdata.io): fields with name, type, description,
constraints; missingValues. Lengths mm, areas mm2, angles deg; the unit of a measurement stands in its own column.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import write_json
from outflow_cohort.study import outputs

if TYPE_CHECKING:
    import pyarrow as pa

OWN_TABLES = {
    "measurements": outputs.MEASUREMENTS,
    "curves": outputs.CURVES,
    "views": outputs.VIEWS,
    "privacy": outputs.PRIVACY,
    "landmark_findings": outputs.LANDMARK_FINDINGS,
    "set_aside": outputs.SET_ASIDE,
    "final": outputs.FINAL,
    "plans": outputs.PLANS,
}


def write_table_schema(tables: Path, name: str) -> None:
    """Write `tables`/NAME.schema.json for the Parquet file or folder NAME in `tables`."""
    import pyarrow.dataset as ds

    place = tables / name
    if not place.is_dir():
        place = tables / f"{name}.parquet"
    write_json(tables / f"{name}.schema.json", table_schema(ds.dataset(place).schema, name))


def table_schema(schema: pa.Schema, name: str) -> dict[str, Any]:
    """Table Schema of a table with the Arrow `schema`; meanings come from the data dictionary of table `name`."""
    from outflow_cohort.stats.data.table_meanings import COLUMN_MEANINGS, TABLE_MEANINGS

    meanings: dict[str, str] = {c.name: c.meaning for c in OWN_TABLES.get(name, ())}
    if name == "series":
        meanings = outputs.SERIES_MEANINGS
    elif name not in OWN_TABLES:
        meanings = COLUMN_MEANINGS
    fields: list[dict[str, Any]] = []
    for column in schema:
        field: dict[str, Any] = {"name": column.name, "type": _type(column.type)}
        if column.name in meanings:
            field["description"] = meanings[column.name]
        if name == "measurements" and column.name == "measure":
            field["constraints"] = {"required": True, "enum": _measures()}
        elif column.name == "case_id":
            field["constraints"] = {"required": True}
        fields.append(field)
    result: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if name in TABLE_MEANINGS:
        result["description"] = TABLE_MEANINGS[name]
    return result


def _measures() -> list[str]:
    from outflow_geometry.measures.registry import REGISTRY

    return [measure.id for measure in REGISTRY]


def _type(kind: pa.DataType) -> str:
    """Type of the specification; a column without any value could be of any type."""
    import pyarrow.types as types

    if types.is_dictionary(kind):
        return _type(kind.value_type)
    if types.is_boolean(kind):
        return "boolean"
    if types.is_integer(kind):
        return "integer"
    if types.is_floating(kind) or types.is_decimal(kind):
        return "number"
    if types.is_string(kind) or types.is_large_string(kind) or types.is_string_view(kind):
        return "string"
    return "any"
