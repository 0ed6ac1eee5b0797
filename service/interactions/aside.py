"""Long work beside the event loop, so that short requests are answered meanwhile."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

__all__ = ["aside"]

P = ParamSpec("P")
T = TypeVar("T")

_THREAD = ThreadPoolExecutor(1, thread_name_prefix="aside")  # one: Python runs one at a time anyway


async def aside(work: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
    """Run ``work``, which must not touch the loop, in the thread kept for it.

    Where no loop runs, in the writer's thread of a store, there is nothing to be kept free: it runs at once.
    """
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        return work(*arguments, **named)
    return await loop.run_in_executor(_THREAD, lambda: work(*arguments, **named))
