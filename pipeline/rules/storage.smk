# With object storage: what `plan` froze goes there, so that the other rules find it beside what jobs write.
if STORED:

    rule freeze:
        input:
            frozen_here,
        output:
            f"{RESULTS}/work/{{name}}",
        log:
            f"{RESULTS}/logs/freeze/{{name}}.log",
        wildcard_constraints:
            name="requests/[A-Za-z0-9_-]+[.]json|(plan|study|report)[.]json|(cases|readings)[.]parquet",
        shell:
            "cp {input:q} {output:q} 2> {log:q}"
