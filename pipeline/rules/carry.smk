# Landmarks of marked phases carried to the others, where study.yaml says `carry:`. Two phases are registered once a case.
rule carry:
    input:
        request=request_of,
        inventory=f"{RESULTS}/work/inventory/{{key}}.json",
        volumes=f"{RESULTS}/work/volumes/{{key}}",
        judged=f"{RESULTS}/work/judged/{{key}}.json",
    output:
        f"{RESULTS}/work/carried/{{key}}.json",
    log:
        f"{RESULTS}/logs/carry/{{key}}.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/carry/{{key}}.tsv"
    retries: ATTEMPTS - 1
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(1500),
        runtime=MINUTES["carry"],
        attempts_left=attempts_left,
    shell:
        "outflow-cohort carry --request {input.request:q} --inventory {input.inventory:q} --volumes {input.volumes:q} "
        "--judged {input.judged:q} --attempts-left {resources.attempts_left} --minutes {resources.runtime} "
        "--output {output:q} > {log:q} 2>&1"
