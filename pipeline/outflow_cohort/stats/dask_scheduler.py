"""Where the pieces of a statistic are computed: threads of this process, or a dask.distributed cluster by address.

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

    scheduler : address of a dask.distributed scheduler (its workers must see the same files); None = local threads.

    Raises OSError where the scheduler does not answer, and whatever `function` raises.
    """
    import dask

    tasks = [dask.delayed(function, pure=False)(item) for item in items]
    if not tasks:
        return []
    if scheduler is None:
        return list(dask.compute(*tasks, scheduler="threads"))
    from distributed import Client

    with Client(scheduler, timeout=CONNECT_SECONDS, set_as_default=False) as client:
        return list(client.gather(client.compute(tasks)))
