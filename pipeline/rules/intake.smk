# Headers are judged first; pixels are read once, for the region around the landmarks.
rule inventory:
    input:
        request=request_at_images,
        series=[local(mark) for mark in SERIES_READY],
    output:
        f"{RESULTS}/work/inventory/{{key}}.json",
    log:
        f"{RESULTS}/logs/inventory/{{key}}.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(800),
        runtime=MINUTES["inventory"],
    shell:
        "outflow-cohort inventory --request {input.request:q} --minutes {resources.runtime} --output {output:q} "
        "> {log:q} 2>&1"


rule volume:
    input:
        request=request_at_images,
        inventory=f"{RESULTS}/work/inventory/{{key}}.json",
    output:
        volumes(f"{RESULTS}/work/volumes/{{key}}"),
    log:
        f"{RESULTS}/logs/volume/{{key}}.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/volume/{{key}}.tsv"
    retries: ATTEMPTS - 1
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(1500),
        runtime=MINUTES["volume"],
        attempts_left=attempts_left,
    shell:
        "outflow-cohort volume --request {input.request:q} --inventory {input.inventory:q} "
        "--attempts-left {resources.attempts_left} --minutes {resources.runtime} --output {output:q} > {log:q} 2>&1"
