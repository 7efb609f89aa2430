"""YAML without repeated keys: plain YAML readers keep the last one and say nothing."""

from __future__ import annotations

from typing import Any

import yaml


class _Once(yaml.SafeLoader):  # type: ignore[misc]
    """The safe loader, which refuses a key that a mapping has already."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen: set[str] = set()
        for key, _ in node.value:
            if key.value in seen:
                raise yaml.constructor.ConstructorError(
                    None, None, f"`{key.value}` is written twice; keep one", key.start_mark
                )
            seen.add(str(key.value))
        result: dict[Any, Any] = super().construct_mapping(node, deep)
        return result


def read_yaml(text: str) -> Any:
    """The content of `text`; raises yaml.YAMLError, also for a key that is written twice in one mapping."""
    return yaml.load(text, Loader=_Once)
