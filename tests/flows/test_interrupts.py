"""Ctrl-C during a command: no traceback, exit code 130, and one sentence that reports what was done."""

import os
import subprocess
import sys

import pytest

from flows.runtime.progress import CommandProgress
from tests.support.program import taretrace_here
from transforms.config.workspace import init_workspace

RUN = """
import os, signal, sys, threading, time
from flows import stages
from flows.cli.app import main

def fail_by_interrupt():
    try:
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(1)
    except KeyboardInterrupt:
        raise RuntimeError("Query interrupted") from None

def reads(workspace, reporter, executor):
    with reporter.stage("Earlier"):
        pass
    with reporter.stage("Reading 40 new files", 40) as advance:
        for number in range(40):
            if number == 12:
                {press}
            advance()

if __name__ == "__main__":
    stages.receive_files = reads
    sys.argv = ["taretrace", "ingest", sys.argv[1]]
    main()
"""
PRESSES = {
    "here": "os.kill(os.getpid(), signal.SIGINT)",
    "twice": "threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGINT)).start(); os.kill(os.getpid(), signal.SIGINT)",
    "with helper processes": "threading.Timer(2, os.killpg, (os.getpgid(0), signal.SIGINT)).start(); "
    "list(executor(time.sleep, [0.05] * 200 + [60.0] * 200))",
    "in a library": "fail_by_interrupt()",
}
QUICK = {"with helper processes"}


@pytest.mark.parametrize("press", [p if p in QUICK else pytest.param(p, marks=pytest.mark.slow) for p in PRESSES])
def test_ctrl_c_is_one_sentence_that_reports_what_was_done(tmp_path, press):
    workspace = init_workspace(tmp_path / "w")
    script = tmp_path / "run.py"
    script.write_text(RUN.replace("{press}", PRESSES[press]))
    done = subprocess.run(
        [sys.executable, str(script), str(workspace.root)],
        capture_output=True,
        text=True,
        check=False,
        start_new_session=True,
        timeout=100,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert done.returncode == 130, done.stderr
    lines = [line for line in done.stderr.splitlines() if line and not line.startswith("✓")]
    assert len(lines) == 1, done.stderr
    assert "12 of 40" in lines[0]
    assert lines[0].startswith("taretrace: stopped")


def test_the_report_names_the_running_stage():
    course = CommandProgress()
    course.begin("Reading", 3).has_ended = True
    course.begin("Joining", None)
    assert "'Joining'" in course.stopped()


def test_the_exit_code_is_documented():
    assert "130" in taretrace_here("--help").out
