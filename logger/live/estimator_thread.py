"""The estimator's own thread: what takes long runs there, one after the other, and pages go on meanwhile."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


class EstimatorThread:
    """One thread, for the event loop to wait on."""

    def __init__(self) -> None:
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="live estimator")

    async def run(self, function: Callable[[], T]) -> T:
        """Run something long."""
        return await asyncio.get_running_loop().run_in_executor(self._executor, function)

    def close(self) -> None:
        """Wait for nothing more."""
        self._executor.shutdown(wait=False, cancel_futures=True)
