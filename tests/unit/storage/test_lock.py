"""A second run waits for the lock of a workspace, or is refused at once."""

import threading
import time

import pytest

from transforms.errors import WorkspaceError
from transforms.storage.lock import lock_workspace


def test_a_run_that_waits_takes_its_turn_and_one_that_does_not_is_refused(tmp_path):
    is_locked, order = threading.Event(), []

    def first() -> None:
        with lock_workspace(tmp_path, "ingest"):
            is_locked.set()
            time.sleep(0.5)
            order.append("first")

    other = threading.Thread(target=first)
    other.start()
    assert is_locked.wait(10)
    with pytest.raises(WorkspaceError, match="ingest"), lock_workspace(tmp_path, "fit"):
        pass
    with lock_workspace(tmp_path, "fit", 30):
        order.append("second")
    other.join()
    assert order == ["first", "second"]
