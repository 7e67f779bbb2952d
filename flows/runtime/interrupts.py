"""Record of Ctrl-C, because libraries may replace its KeyboardInterrupt by another error."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

_pressed = threading.Event()


def is_interrupted() -> bool:
    """Return True if Ctrl-C was pressed during the running command."""
    return _pressed.is_set()


def _record_interrupt(*_: Any) -> NoReturn:
    _pressed.set()
    raise KeyboardInterrupt


@contextmanager
def record_interrupts() -> Iterator[None]:
    """Record Ctrl-C in the block, where it raises KeyboardInterrupt; ignore it afterwards once it was pressed."""
    _pressed.clear()
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, _record_interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN if is_interrupted() else before)
