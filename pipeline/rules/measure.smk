# One job per case: all its phases, readers and plans.
rule measure:
    input:
        request=request_of,
        inventory=f"{RESULTS}/work/inventory/{{key}}.json",
        volumes=f"{RESULTS}/work/volumes/{{key}}",
        judged=f"{RESULTS}/work/judged/{{key}}.json",
        carried=carried_of,
    output:
        measurements=f"{RESULTS}/work/measured/{{key}}/measurements.parquet",
        curves=f"{RESULTS}/work/measured/{{key}}/curves.parquet",
        views=f"{RESULTS}/work/measured/{{key}}/views.parquet",
        implants=f"{RESULTS}/work/measured/{{key}}/implants.parquet",
        set_aside=f"{RESULTS}/work/measured/{{key}}/set_aside.json",
        drawing=f"{RESULTS}/work/measured/{{key}}/drawing.json",
        pictures=f"{RESULTS}/work/measured/{{key}}/pictures.npz",
    log:
        f"{RESULTS}/logs/measure/{{key}}.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/measure/{{key}}.tsv"
    retries: ATTEMPTS - 1
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(2000),
        runtime=MINUTES["measure"],
        attempts_left=attempts_left,
    params:
        folder=measured_folder,
        progress=PROGRESS,
        carried=carried_option,
    shell:
        "outflow-cohort measure --request {input.request:q} --inventory {input.inventory:q} "
        "--volumes {input.volumes:q} --judged {input.judged:q} {params.carried:q} --attempts-left {resources.attempts_left} --minutes {resources.runtime} "
        "--output {params.folder:q} "
        "> {log:q} 2>&1 {params.progress}"


rule sheet:
    input:
        request=request_of,
        inventory=f"{RESULTS}/work/inventory/{{key}}.json",
        measured=rules.measure.output,
        # the step that finds it makes those sheets anew that were told something else; in an object storage it has none
        of_study=(
            f"{RESULTS}/work/study_findings/{{key}}.json"
            if STORED
            else ancient(f"{RESULTS}/work/study_findings/{{key}}.json")
        ),
        settings=(
            [frozen("report.json"), frozen("study.json")]
            if STORED
            else frozen("report.json")
        ),
    output:
        f"{RESULTS}/report/cases/{{key}}.html",
    log:
        f"{RESULTS}/logs/sheet/{{key}}.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(800),
    params:
        results=results_folder,
    shell:
        "outflow-cohort sheet --results {params.results:q} --key {wildcards.key} > {log:q} 2>&1"
