# Tables, statistics, report and the closing account of the whole study.


rule table:
    input:
        INVENTORIES,
        MEASURED,
        JUDGED,
        REQUESTS,
        frozen("readings.parquet"),
        frozen("plan.json"),
    output:
        directory(f"{RESULTS}/tables/measurements"),
        directory(f"{RESULTS}/tables/curves"),
        directory(f"{RESULTS}/tables/views"),
        directory(f"{RESULTS}/tables/implants"),
        f"{RESULTS}/tables/series.parquet",
        f"{RESULTS}/tables/privacy.parquet",
        f"{RESULTS}/tables/set_aside.parquet",
        f"{RESULTS}/tables/plans.parquet",
        f"{RESULTS}/tables/landmark_findings.parquet",
        f"{RESULTS}/tables/README.md",
        directory(f"{RESULTS}/tables/readings"),
        expand(
            f"{RESULTS}/tables/{{name}}.schema.json",
            name=[
                "measurements",
                "curves",
                "views",
                "implants",
                "series",
                "privacy",
                "landmark_findings",
                "set_aside",
                "plans",
            ],
        ),
    log:
        f"{RESULTS}/logs/table.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/table.tsv"
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(2000),
    params:
        results=results_folder,
    shell:
        "outflow-cohort table --results {params.results:q} > {log:q} 2>&1"


rule final:
    input:
        rules.table.output,
        frozen("study.json"),
    output:
        f"{RESULTS}/tables/final.parquet",
        f"{RESULTS}/tables/final.schema.json",
        f"{RESULTS}/tables/adjudication.csv",
    log:
        f"{RESULTS}/logs/final.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(2000),
    params:
        results=results_folder,
    shell:
        "outflow-cohort final --results {params.results:q} > {log:q} 2>&1"


rule statistics:
    input:
        rules.table.output,
        rules.final.output,
        frozen("study.json"),
        frozen("cases.parquet"),
        frozen("readings.parquet"),
    output:
        tables_of("cohort"),
    log:
        f"{RESULTS}/logs/statistics.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/statistics.tsv"
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(2000),
    params:
        results=results_folder,
        scheduler=f"--scheduler {SCHEDULER}" if SCHEDULER else "",
    shell:
        "outflow-cohort statistics --part cohort --results {params.results:q} {params.scheduler} > {log:q} 2>&1"


rule agreement:
    input:
        rules.table.output,
        rules.final.output,
        frozen("study.json"),
        frozen("cases.parquet"),
        frozen("readings.parquet"),
    output:
        tables_of("readers"),
    log:
        f"{RESULTS}/logs/agreement.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/agreement.tsv"
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(2000),
    params:
        results=results_folder,
        scheduler=f"--scheduler {SCHEDULER}" if SCHEDULER else "",
    shell:
        "outflow-cohort statistics --part readers --results {params.results:q} {params.scheduler} > {log:q} 2>&1"


rule recovered:
    input:
        rules.table.output,
        [local(table) for table in TRUTH],
    output:
        f"{RESULTS}/work/recovered.parquet",
    log:
        f"{RESULTS}/logs/recovered.log",
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(1000),
    params:
        results=results_folder,
    shell:
        "outflow-cohort recovered --results {params.results:q} --truth demo_study/truth > {log:q} 2>&1"


rule report:
    input:
        rules.statistics.output,
        rules.agreement.output,
        rules.recovered.output if TRUTH else [],
        SHEETS,
        rules.table.output,
        rules.final.output,
        REQUESTS,
        [frozen(name) for name in FROZEN],
    output:
        f"{RESULTS}/report/index.html",
        f"{RESULTS}/report/what_to_do.html",
        f"{RESULTS}/tables/cases.csv",
        f"{RESULTS}/tables/cases.xlsx",
        f"{RESULTS}/tables/cases.schema.json",
    log:
        f"{RESULTS}/logs/report.log",
    benchmark:
        f"{RESULTS}/logs/benchmarks/report.tsv"
    conda:
        "../envs/outflow.yaml"
    resources:
        mem_mb=memory(2000),
    params:
        results=results_folder,
    shell:
        "outflow-cohort report --results {params.results:q} > {log:q} 2>&1"


rule finish:
    input:
        rules.report.output,
        rules.table.output,
        rules.final.output,
        rules.statistics.output,
        rules.agreement.output,
        REQUESTS,
        [frozen(name) for name in FROZEN],
    output:
        f"{RESULTS}/run.json",
    log:
        f"{RESULTS}/logs/finish.log",
    conda:
        "../envs/outflow.yaml"
    params:
        results=results_folder,
    shell:
        "outflow-cohort finish --results {params.results:q} 2>&1 | tee {log:q}"
