"""The run log: one JSON line per event, which handlers of the standard logger receive too."""

import datetime as dt
import json
import logging
import os

import pytest

from transforms.storage.run_log import LOGGER, RunLog

AT = dt.datetime(2025, 10, 1, 5, 20, 0, 123_456, dt.UTC)


class Kept(logging.Handler):
    """A handler that keeps records."""

    def __init__(self) -> None:
        super().__init__()
        self.records: list[logging.LogRecord] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.records.append(record)


def test_an_event_is_one_line_of_the_file_of_its_month(tmp_path):
    log = RunLog(tmp_path / "log", lambda: AT)
    log.write("post-shift", "began", due=None)
    log.write("post-shift", "ended", files=3, page=tmp_path)
    (path,) = (tmp_path / "log").iterdir()
    assert path.name == "2025-10.jsonl"
    first, second = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    about = {"at": "2025-10-01T05:20:00.123+00:00", "process": os.getpid(), "job": "post-shift"}
    assert first == {**about, "event": "began", "due": None}
    assert second == {**about, "event": "ended", "files": 3, "page": str(tmp_path)}
    assert log.last("post-shift", "ended") is not None


def test_handlers_of_the_logger_receive_events_and_those_of_the_root_do_not(tmp_path):
    own, of_root = Kept(), Kept()
    LOGGER.addHandler(own)
    logging.getLogger().addHandler(of_root)
    try:
        log = RunLog(tmp_path, lambda: AT)
        log.write("fit", "began")
        log.write("fit", "failed", error="E")
    finally:
        LOGGER.removeHandler(own)
        logging.getLogger().removeHandler(of_root)
    assert [(r.levelno, vars(r)["event"], vars(r)["facts"]) for r in own.records] == [
        (logging.INFO, "began", {}),
        (logging.ERROR, "failed", {"error": "E"}),
    ]
    assert of_root.records == []
    assert len(list(log.lines())) == 2


def test_an_event_that_cannot_be_written_is_an_error(tmp_path):
    (tmp_path / "2025-10.jsonl").mkdir()
    with pytest.raises(OSError, match="2025-10"):
        RunLog(tmp_path, lambda: AT).write("fit", "began")


def test_a_full_disk_is_an_error(tmp_path):
    def cannot_write(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("logging.StreamHandler.flush", cannot_write)
        with pytest.raises(OSError, match="No space"):
            RunLog(tmp_path, lambda: AT).write("fit", "began")
