"""Every figure of tests/reference/stats/worked_examples.json recomputed with the public functions.

A side's mapping file (worked_agreement.py, worked_cohort.py) holds EXAMPLES: {example id: function() -> {key: value}}.
Sources of data and figures: tests/reference/stats/SOURCES.md.
"""

import importlib
import json
from pathlib import Path

import pytest

REFERENCE = Path(__file__).parents[1] / "reference" / "stats"
SPECIFICATION = {
    example["id"]: example for example in json.loads((REFERENCE / "worked_examples.json").read_text())["examples"]
}


def _computed():
    functions = {}
    for side in ("worked_agreement", "worked_cohort"):
        functions |= importlib.import_module(side).EXAMPLES
    return functions


FUNCTIONS = _computed()
# (example id, key) -> right value, where the reference figure is wrong in a known way; each is proved in its own test.
IN_ERROR = getattr(importlib.import_module("worked_cohort"), "REFERENCE_IN_ERROR", {})


def within(value, reference):
    """Pass rule of the reference file: a band where given, else atol + rtol * |value|."""
    if "band" in reference:
        return reference["band"][0] - 1e-9 <= value <= reference["band"][1] + 1e-9
    return abs(value - reference["value"]) <= reference["atol"] + reference["rtol"] * abs(reference["value"])


def _right_value(example_id, key):
    return {"value": IN_ERROR[example_id, key]} if (example_id, key) in IN_ERROR else {}


def _flat(values):
    """Oracle values with lists spread over key[i], as the reference keys are written."""
    flat = {}
    for key, value in values.items():
        if isinstance(value, list):
            flat |= {f"{key}[{index}]": item for index, item in enumerate(value)}
        else:
            flat[key] = value
    return flat


@pytest.mark.parametrize("example_id", sorted(SPECIFICATION))
def test_every_key_is_reproduced(example_id):
    example = SPECIFICATION[example_id]
    computed = FUNCTIONS[example_id]()
    missing = sorted(set(example["reference"]) - set(computed))
    assert not missing, f"not computed: {missing}"
    wrong = {
        key: (computed[key], reference)
        for key, reference in example["reference"].items()
        if not within(computed[key], {**reference, **_right_value(example_id, key)})
    }
    assert not wrong
    for key, value in example["wrong_answers"].items():
        name = key.removeprefix("listwise.").removesuffix(".row_level_se_wrong")
        if name in computed:
            assert abs(computed[name] - value) > 1e-6 * max(1.0, abs(value)), f"{name} is the known mistake {key}"


def test_prints_method_by_oracle_by_agreement(capsys):
    """The table of methods, oracles and keys in agreement; a disagreement on record stays visible as a count."""
    lines, agreed, total = [], 0, 0
    for example_id, example in SPECIFICATION.items():
        computed = FUNCTIONS[example_id]()
        for oracle in example["oracles"]:
            values = {k: v for k, v in _flat(oracle["values"]).items() if k in example["reference"] and v is not None}
            same = sum(within(values[k], {"value": computed[k], **_tolerance(example["reference"][k])}) for k in values)
            agreed, total = agreed + same, total + len(values)
            lines.append(
                f"{example['method']:26s} {example_id:24s} {oracle['library'][:24]:24s} {same:3d} / {len(values):3d}"
            )
    keys = sum(len(example["reference"]) for example in SPECIFICATION.values())
    with capsys.disabled():
        print("\nmethod                     example                  oracle                   keys that agree")
        print("\n".join(lines))
        print(f"{agreed} of {total} oracle values agree; reference keys: {keys}")
    recorded = sum(len(example["library_disagreements"]) for example in SPECIFICATION.values())
    assert total - agreed <= recorded + _precision_misses()


def _tolerance(reference):
    if "band" in reference:
        # Ranks may differ by two between tools: the band's width is the tolerance of the comparison.
        return {"rtol": 0.0, "atol": reference["band"][1] - reference["band"][0] + 1e-9}
    return {"rtol": reference["rtol"], "atol": reference["atol"]}


def _precision_misses():
    """Oracle values that miss their own reference value by more than its tolerance (optimisers, printed digits)."""
    misses = 0
    for example in SPECIFICATION.values():
        recorded = {(d["library"], d["key"]) for d in example["library_disagreements"]}
        for oracle in example["oracles"]:
            for key, value in _flat(oracle["values"]).items():
                reference = example["reference"].get(key)
                if reference is None or value is None or (oracle["library"], key) in recorded:
                    continue
                misses += not within(value, {"value": reference["value"], **_tolerance(reference)})
    return misses
