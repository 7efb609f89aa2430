"""Tables in Markdown."""

from __future__ import annotations

from typing import Any


def markdown_table(head: tuple[str, ...], rows: list[tuple[Any, ...]]) -> str:
    """A table with the column names `head`."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in rows:
        lines.append("| " + " | ".join(_cell(str(c)) for c in row) + " |")
    return "\n".join(lines)


def _cell(text: str) -> str:
    """Text of a cell on one line; a bar ends no cell, and needs no mark for that within code."""
    parts = text.replace("\n", " ").split("`")
    return "`".join(part if place % 2 else part.replace("|", "\\|") for place, part in enumerate(parts))
