# Shared by all stages: the study, its results folder, its cases. Each job parses this again, so nothing heavy here.
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


def request_of(wildcards):
    """The frozen request of one case."""
    return LAUNCH.frozen(f"requests/{wildcards.key}.json")


def results_folder(wildcards):
    """The results folder, for commands that find their files in it by name."""
    return RESULTS


def tables_of(part):
    """Files of the tables of one part of the statistics."""
    return expand(
        f"{RESULTS}/tables/{{name}}.{{ending}}",
        name=PARTS[part],
        ending=["parquet", "csv", "schema.json"],
    )


def carried_of(wildcards):
    """What the carry step writes for a case; without phases to carry to there is no such step."""
    return [f"{RESULTS}/work/carried/{wildcards.key}.json"] if wildcards.key in LAUNCH.carried else []


def carried_option(wildcards):
    """Names the carried landmarks of a case to the measure step, where there are any."""
    return ["--carried", *carried_of(wildcards)] if carried_of(wildcards) else []


def measured_folder(wildcards):
    """Where one case's measurements go."""
    return f"{RESULTS}/work/measured/{wildcards.key}"


onstart:
    # One case that fails must not keep the others from being measured.
    workflow.scheduler.keepgoing = True
    lift_rate_limit(workflow.scheduler)


onsuccess:
    if workflow.is_main_process:
        print(closing_words(RESULTS), file=sys.stderr)


onerror:
    print(last_words(RESULTS), file=sys.stderr)


wildcard_constraints:
    key="[A-Za-z0-9_-]+",
