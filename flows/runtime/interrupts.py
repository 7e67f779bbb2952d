"""Ctrl-C: noted when it is pressed, because libraries may turn it into an error of their own."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NoReturn

_pressed = threading.Event()


def interrupted() -> bool:
    """Return whether Ctrl-C was pressed in the running command."""
    return _pressed.is_set()


def _note(*_: Any) -> NoReturn:
    _pressed.set()
    raise KeyboardInterrupt


@contextmanager
def noting_interrupts() -> Iterator[None]:
    """Note Ctrl-C in the block, where it raises KeyboardInterrupt; when it is pressed again later, it is ignored."""
    _pressed.clear()
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, _note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN if interrupted() else before)
