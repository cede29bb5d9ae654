"""What a person accepts, as a user sees it: exit code, headline and the number in the JSON."""

import json

import pytest

WAIVER = '\n[[waivers]]\nrule = "{rule}"\n{subject}reason = "seen by hand"\nby = "A. Tester"\n'
GUARDED = ("axle-direction", "temperature-ceiling", "message-presence", "capture-integrity")


def waiver(rule, subject=""):
    return WAIVER.format(rule=rule, subject=f'subject = "{subject}"\n' if subject else "")


def off(rule, reason="no second person today"):
    return f'\n[rules.{rule}]\noff = "{reason}"\n'


def unwitnessed(text):
    """Without marks: axle-witness, which a dry spin requires, is unproven for all its subjects."""
    return text.split("[[marks]]")[0]


def too_much_current(text):
    return text.replace("dry_current_A = 30", "dry_current_A = 3")


@pytest.fixture
def check(run, canscope):
    def call(change, *more):
        plan, report = run / "plan.toml", run / "report.json"
        plan.write_text(change(plan.read_text("utf-8")) + "".join(more), "utf-8")
        code, _, err = canscope("check", run / "capture.log", "--plan", plan, "--json", report)
        found = json.loads(report.read_text("utf-8")) if report.exists() else None
        return code, found, err

    return call


def test_what_is_unproven_and_accepted_passes_with_the_name_of_who_accepts(check):
    code, report, _ = check(unwitnessed, waiver("axle-witness"))
    assert (code, report["verdict"], report["waived"]) == (0, "pass", 4)
    assert report["headline"] == "pass, 4 items accepted by A. Tester"


def test_one_subject_accepted_leaves_the_others_unproven(check):
    code, report, _ = check(unwitnessed, waiver("axle-witness", "front forward"))
    assert (code, report["verdict"], report["waived"]) == (3, "unproven", 1)


def test_a_required_rule_switched_off_still_runs_and_is_accepted_by_the_tester(check):
    code, report, _ = check(unwitnessed, off("axle-witness"))
    expected = "pass, 1 rule switched off, 4 items accepted by workshop bay 2"
    assert (code, report["headline"]) == (0, expected)
    found = [f for f in report["findings"] if f["rule"] == "axle-witness"]
    assert {f["verdict"] for f in found} == {"unproven"}


def test_what_is_proven_needs_no_acceptance(check):
    code, report, _ = check(str, off("axle-witness"), waiver("axle-witness"))
    assert (code, report["waived"], report["headline"]) == (
        0,
        0,
        "pass, 1 rule switched off",
    )


def test_a_rule_that_is_not_required_is_not_run_once_switched_off(check):
    code, report, _ = check(str, off("insulation-resistance"))
    assert code == 0
    assert "insulation-resistance" in report["not_applicable"]


@pytest.mark.parametrize("accepted", [waiver("current-ceiling"), off("current-ceiling")])
def test_a_fail_stays_a_fail_whoever_accepts_it(check, accepted):
    code, report, _ = check(too_much_current, accepted)
    assert (code, report["verdict"], report["waived"]) == (1, "fail", 0)


@pytest.mark.parametrize("rule", GUARDED)
def test_the_guarded_rules_can_be_neither_accepted_nor_switched_off(check, rule):
    for wish, word in ((waiver(rule), "waived"), (off(rule), "switched off")):
        code, report, err = check(lambda text: text.split("\n[rules.")[0], wish)
        assert (code, report) == (2, None)
        assert f"{rule} cannot be {word}" in err
        assert "plan.toml:" in err  # with its line


def test_a_unit_that_turns_in_power_up_fails_though_dry_exposure_is_switched_off(check):
    """In power-up it speaks only if a unit turns, and is required then (design: stage table)."""

    def power_up(text):
        shorter = text.replace('stage    = "dry-spin"', 'stage    = "power-up"')
        return shorter.replace("dry_burst_s = 5\ndry_total_s = 60\n", "")

    code, report, _ = check(power_up, off("dry-exposure"))
    assert code == 1
    assert {f["verdict"] for f in report["findings"] if f["rule"] == "dry-exposure"} == {"fail"}


def test_a_rule_that_is_switched_off_and_would_have_failed_says_so(check):
    """Not required, so it makes no finding; but nobody sets a failure away."""

    def impossible(text):
        return text + '\n[rules.precharge-curve]\nreach_s = 0.05\noff = "too slow today"\n'

    code, report, _ = check(impossible)
    assert (code, report["verdict"]) == (0, "pass")
    assert report["headline"] == "pass, 1 rule switched off, precharge-curve would have failed"
    assert report["off_failed"] == ["precharge-curve"]
    assert not [f for f in report["findings"] if f["rule"] == "precharge-curve"]


def test_limits_looser_than_usual_are_counted_and_named(check):
    loose = "\n[rules.precharge-level]\nminimum_percent = 90\n[rules.bus-sag]\nlimit_percent = 20\n"
    code, report, _ = check(str, loose)
    assert (code, report["headline"]) == (0, "pass, 2 limits looser than usual")
    assert report["looser"][1] == {
        "rule": "precharge-level",
        "parameter": "minimum_percent",
        "value": 90,
        "usual": 95.0,
        "unit": "%",
    }
