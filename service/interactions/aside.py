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
    """Run ``work``, which must not touch the loop, in the thread kept for it."""
    loop = asyncio.get_running_loop()
    return await loop.run_in_executor(_THREAD, lambda: work(*arguments, **named))
