"""Where the pieces of a statistic are computed: in this process, or on a dask.distributed cluster by address.

In this process one after the other: the pieces are mostly interpreted code, and two threads that share the
interpreter's lock took up to 1.6 times the processor time, and no less wall time beside another job.

Results come back in the order of the pieces, so that neither the number of workers nor their speed shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
CONNECT_SECONDS = 30
"""How long a scheduler may take to answer (common practice, no source)."""


def compute_each(
    function: Callable[[Item], Result], items: Iterable[Item], scheduler: str | None = None
) -> list[Result]:
    """`function` of each item, in the order of the items.

    scheduler : address of a dask.distributed scheduler (its workers must see the same files); None = this process.

    Raises OSError where the scheduler does not answer, and whatever `function` raises.
    """
    if scheduler is None:
        return [function(item) for item in items]  # dask takes a third of a second to import, in each job
    from dask.delayed import delayed
    from distributed import Client

    tasks = [delayed(function, pure=False)(item) for item in items]
    if not tasks:
        return []
    with Client(scheduler, timeout=CONNECT_SECONDS, set_as_default=False) as client:
        return list(client.gather(client.compute(tasks)))
