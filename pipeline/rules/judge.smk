# Landmarks are judged before they are believed: one job per case, with all its phases and readers.
rule judge:
    input:
        request=request_of,
        inventory=f"{RESULTS}/work/inventory/{{key}}.json",
        volumes=f"{RESULTS}/work/volumes/{{key}}",
    output:
        findings=f"{RESULTS}/work/judged/{{key}}.json",
        points=f"{RESULTS}/work/judged/{{key}}.npz",
    log:
        f"{RESULTS}/logs/judge/{{key}}.log",
    retries: ATTEMPTS - 1
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(1500),
        runtime=MINUTES["judge"],
        attempts_left=attempts_left,
    shell:
        "outflow-cohort judge --request {input.request:q} --inventory {input.inventory:q} --volumes {input.volumes:q} "
        "--attempts-left {resources.attempts_left} --minutes {resources.runtime} --output {output.findings:q} > {log:q} 2>&1"


# What only the whole study shows, by case, for the sheets.
rule study_findings:
    input:
        JUDGED,
        REQUESTS,
        frozen("readings.parquet"),
        frozen("plan.json"),
    output:
        expand(f"{RESULTS}/work/study_findings/{{key}}.json", key=KEYS),
    log:
        f"{RESULTS}/logs/study_findings.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(800),
    params:
        results=results_folder,
    shell:
        "outflow-cohort study-findings --results {params.results:q} > {log:q} 2>&1"
