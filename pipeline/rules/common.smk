# Shared by all stages: the study, its results folder, its cases. Each job parses this again, so nothing heavy here.
import os
import shlex
import sys

from outflow_cohort.stats.data.table_meanings import PARTS
from outflow_cohort.study.launch import (
    closing_words,
    last_words,
    lift_rate_limit,
    prepare,
)

LAUNCH = prepare(
    study=config.get("study"),
    demo_settings="config/demo.yaml",
    main_process=workflow.is_main_process,
    given=list(config),
)
RESULTS = LAUNCH.results
KEYS = LAUNCH.keys
SERIES_READY = LAUNCH.series_ready
TRUTH = LAUNCH.truth
SCHEDULER = config.get("scheduler", "")
# With object storage, jobs work on a copy of the results folder that holds what their rule names, and no more.
STORED = workflow.storage_settings.default_storage_provider is not None
PROGRESS = "" if STORED else f"&& outflow-cohort status --line {shlex.quote(RESULTS)}"
PLACE = (
    f"{workflow.storage_settings.default_storage_prefix}/{RESULTS}"
    if STORED
    else RESULTS
)


def volumes(path):
    """Resampled volumes are large: dropped after measuring, unless the study keeps them."""
    return directory(path) if LAUNCH.keep_volumes else temp(directory(path))


def memory(megabytes):
    """Memory of a job, more with each attempt: one large case must not need a large request for all."""

    def by_attempt(wildcards, attempt):
        return megabytes * attempt

    return by_attempt


ATTEMPTS = 3
# How long one case may hold up its job: many times what the largest takes. Then it is set aside and the others go on.
MINUTES = {"inventory": 60, "volume": 60, "judge": 60, "carry": 240, "measure": 240}


def attempts_left(wildcards, attempt):
    """How often a case's job will be tried again: in the last attempt a lack of memory sets the case aside."""
    return ATTEMPTS - attempt


def frozen(name):
    """A file that `plan` freezes, for a rule's input; rule `freeze` puts it into the object storage."""
    return f"{RESULTS}/work/{name}" if STORED else LAUNCH.frozen(name)


def frozen_here(wildcards):
    """The same where `plan` wrote it."""
    return local(LAUNCH.frozen(wildcards.name))


def request_of(wildcards):
    """The frozen request of one case."""
    return frozen(f"requests/{wildcards.key}.json")


def request_at_images(wildcards):
    """The same where `plan` wrote it: the paths of the images in it begin there."""
    return local(LAUNCH.frozen(f"requests/{wildcards.key}.json"))


FROZEN = ["plan.json", "study.json", "report.json", "cases.parquet", "readings.parquet"]
REQUESTS = [frozen(f"requests/{key}.json") for key in KEYS]
# What the jobs of all cases write; the engine does not expand outputs of a rule that lie in object storage.
INVENTORIES = expand(f"{RESULTS}/work/inventory/{{key}}.json", key=KEYS)
JUDGED = expand(
    f"{RESULTS}/work/judged/{{key}}.{{ending}}", key=KEYS, ending=["json", "npz"]
)
MEASURED = expand(
    f"{RESULTS}/work/measured/{{key}}/{{name}}",
    key=KEYS,
    name=[
        "measurements.parquet",
        "curves.parquet",
        "views.parquet",
        "implants.parquet",
        "set_aside.json",
        "drawing.json",
        "pictures.npz",
    ],
)
SHEETS = expand(f"{RESULTS}/report/cases/{{key}}.html", key=KEYS)


def results_folder(wildcards, output):
    """The results folder that holds this job's files, for commands that find them in it by name."""
    own = os.path.normpath(RESULTS)
    before, found, _ = os.path.normpath(str(output[0])).rpartition(f"{own}/")
    return before + found.rstrip("/")


def tables_of(part):
    """Files of the tables of one part of the statistics."""
    return expand(
        f"{RESULTS}/tables/{{name}}.{{ending}}",
        name=PARTS[part],
        ending=["parquet", "csv", "schema.json"],
    )


def carried_of(wildcards):
    """What the carry step writes for a case; without phases to carry to there is no such step."""
    return (
        [f"{RESULTS}/work/carried/{wildcards.key}.json"]
        if wildcards.key in LAUNCH.carried
        else []
    )


def carried_option(wildcards, input):
    """Names the carried landmarks of a case to the measure step, where there are any."""
    return ["--carried", input.carried] if carried_of(wildcards) else []


def measured_folder(wildcards, output):
    """Where one case's measurements go."""
    return os.path.dirname(output.measurements)


onstart:
    # One case that fails must not keep the others from being measured.
    workflow.scheduler.keepgoing = True
    lift_rate_limit(workflow.scheduler)


onsuccess:
    if workflow.is_main_process:
        print(closing_words(PLACE), file=sys.stderr)


onerror:
    print(last_words(RESULTS), file=sys.stderr)


wildcard_constraints:
    key="[A-Za-z0-9_-]+",
