"""Limit of BLAS threads: one is faster for small matrices, and identical hardware then gives bit-identical results."""

from contextlib import AbstractContextManager
from functools import cache

from threadpoolctl import ThreadpoolController


def limit_blas(threads: int | None) -> AbstractContextManager[object]:
    """Return a context with at most this number of BLAS threads; None for no limit."""
    limits: AbstractContextManager[object] = _thread_pools().limit(limits=threads, user_api="blas")
    return limits


def one_blas_thread() -> AbstractContextManager[object]:
    """Return a context with one BLAS thread."""
    return limit_blas(1)


@cache
def _thread_pools() -> ThreadpoolController:
    """Return the thread pools of this process: to find them reads the list of its libraries, which takes 3 ms."""
    return ThreadpoolController()
