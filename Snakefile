# Measures a CT cohort: snakemake --cores 2 --config study=PATH/study.yaml
# Without study= it runs the demonstration study. For research only, not for treating a patient.
from snakemake.utils import min_version

min_version("9.12")


include: "pipeline/rules/common.smk"
include: "pipeline/rules/storage.smk"
include: "pipeline/rules/demo.smk"
include: "pipeline/rules/intake.smk"
include: "pipeline/rules/judge.smk"
include: "pipeline/rules/carry.smk"
include: "pipeline/rules/measure.smk"
include: "pipeline/rules/cohort.smk"


localrules:
    all,


rule all:
    input:
        f"{RESULTS}/run.json",
        # Named also, since a table or page that is gone would not be missed where the record is newer.
        rules.table.output,
        rules.final.output,
        rules.statistics.output,
        rules.agreement.output,
        rules.report.output,
        SHEETS,
        # A case whose measured folder was deleted is measured anew.
        expand(f"{RESULTS}/work/measured/{{key}}/set_aside.json", key=KEYS),
