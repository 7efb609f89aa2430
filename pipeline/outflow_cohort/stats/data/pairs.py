"""Pairs of readings of the same case: every two readers, and the first two reads of each reader."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

BETWEEN = "between_readers"
WITHIN = "within_reader"


@dataclass(frozen=True)
class ReadingPair:
    """Two readings of one case: where they are in the caller's sequence, and what they compare."""

    case: Hashable
    kind: str
    comparison: str
    first: int
    second: int


def reading_pairs(
    case: Sequence[Hashable], reader: Sequence[Hashable], read: Sequence[Hashable], phase: Sequence[Hashable]
) -> Iterator[ReadingPair]:
    """Pairs of one case and phase: first reads of every two readers, first against second read of each reader.

    A pair is ordered by reader, then read: "R2 - R1" is the second named reader minus the first.
    """
    groups: dict[tuple[Any, ...], dict[Any, Any]] = {}
    for index, (c, r, number, p) in enumerate(zip(case, reader, read, phase, strict=True)):
        groups.setdefault((str(c), str(p), c), {}).setdefault(r, []).append((number, index))
    for key in sorted(groups, key=lambda k: k[:2]):
        readers = {r: [index for _, index in sorted(reads)] for r, reads in groups[key].items()}
        names = sorted(readers, key=str)
        for a, b in combinations(names, 2):
            yield ReadingPair(key[2], BETWEEN, f"{b} - {a}", readers[a][0], readers[b][0])
        for name in names:
            if len(readers[name]) > 1:
                first, second = readers[name][:2]
                yield ReadingPair(key[2], WITHIN, f"{name} read 2 - read 1", first, second)
