"""The command `trial read` stores the result of a trial as a reason, and prints its sentence."""

import json
from pathlib import Path

from flows import stages
from reports.language.reason_text import row_reason
from tests.support.program import taretrace_here
from tests.validation.seasons import Season, copy_of
from transforms.config.response_catalogue import DIRT
from transforms.trial.power import MIN_PAIRS


def test_the_result_is_stored_as_a_code_and_printed_as_a_sentence(season: Season, tmp_path: Path):
    workspace = copy_of(season, tmp_path / "season")
    planned = stages.plan_trial(
        workspace, stages.TrialAsked("cleaner_1_speed_rpm", "M02", None, None, None, 20.0)
    ).trial
    trial_id = planned.trial_id
    ran = taretrace_here("trial", "read", trial_id, workspace.root, "--json")
    assert ran.code == 0, ran.err
    read = json.loads(ran.out)
    with stages.open_warehouse(workspace) as warehouse:
        (stored,) = warehouse.table("trial_result").to_dicts()
    assert stored["reason_code"] == read["reason_code"] == "trial_too_few_pairs"
    # The trial is planned for the day after the season's last: none of its loads is measured.
    assert json.loads(stored["reason_args"]) == {
        "measured": 0,
        "needed": MIN_PAIRS,
        "planned": len(planned.order) // 2,
    }
    assert read["reason"] == row_reason(stored)
    assert [r["response"] for r in read["responses"]] == [stored["response"]] == [DIRT]
    assert (stored["stop_code"], stored["reading_code"], stored["e_value"]) == ("trial_carry_on", "planned", None)
    assert f"{row_reason(stored)}." in " ".join(taretrace_here("trial", "read", trial_id, workspace.root).out.split())
    with stages.open_warehouse(workspace) as warehouse:
        assert warehouse.table("trial_result").height == 1
