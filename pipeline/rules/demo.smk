# The demonstration study makes its own CT; any other study brings it.
rule demo_series:
    output:
        local(touch("demo_study/dicom/{key}.done")),
    log:
        "demo_study/logs/series/{key}.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(1500),
    shell:
        "outflow-cohort demo-series --folder demo_study --case {wildcards.key} > {log} 2>&1"


rule demo_truth:
    output:
        local("demo_study/truth/{key}.csv"),
    log:
        "demo_study/logs/truth/{key}.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(1500),
    shell:
        "outflow-cohort demo-truth --folder demo_study --case {wildcards.key} > {log} 2>&1"
