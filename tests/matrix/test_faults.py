"""Every fault that the simulator can inject is failed by the rule made for it, and by no other.

Each fault declares, knowing nothing of the rules' code, which rules must fail, which may fail as a
consequence, and which may no longer prove anything.
"""

import pytest

from canscope.capture.read import read_capture
from canscope.decoding.columns import decode
from canscope.judge.check import check
from canscope.plan.load import read_plan
from canscope.simulate.faults import fault_names, find_fault
from canscope.simulate.folder import write_run
from canscope.simulate.runs import make_run


def report_of(folder, **kinds):
    files = write_run(make_run(**kinds), folder)
    plan = read_plan(files.plan)
    capture = read_capture(files.capture)
    return check(decode(capture, plan.definitions, wanted=plan.wanted), plan, capture=capture)


def rules_with(report, verdict):
    return {finding.rule for finding in report.findings if finding.verdict == verdict}


@pytest.mark.parametrize("name", fault_names())
def test_a_fault_is_failed_by_the_rule_made_for_it_and_by_no_unrelated_one(tmp_path, name):
    fault = find_fault(name)
    report = report_of(tmp_path, fault=name)
    failed = rules_with(report, "fail")
    assert report.verdict == fault.expected
    assert fault.must <= failed, f"not failed by {fault.must - failed}"
    assert failed <= fault.must | fault.may, f"also failed by {failed - fault.must - fault.may}"
    assert fault.unproven <= rules_with(report, "unproven")


HEALTHY = [
    {"vehicle": vehicle, "stage": stage}
    for vehicle in ("bramble", "bramble-coarse", "thistle")
    for stage in ("dry-spin", "power-up")
]


@pytest.mark.parametrize("kinds", HEALTHY, ids=lambda kinds: "-".join(kinds.values()))
@pytest.mark.parametrize("seed", [1, 2])
def test_a_healthy_run_passes_with_nothing_required_unproven(tmp_path, kinds, seed):
    report = report_of(tmp_path, seed=seed, **kinds)
    assert report.verdict == "pass"
    assert not rules_with(report, "fail")
    assert all(f.verdict == "pass" for f in report.findings if f.required)
