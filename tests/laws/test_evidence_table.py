"""Every role on which a required proof rests has a row that says what would show a lie about it."""

import pytest

from canscope.cli.main import main
from canscope.model.bench import STAGES
from canscope.model.roles import ROLES
from canscope.plan.coverage import full_bench
from canscope.rules import RULES
from canscope.trust.evidence import EVIDENCE, evidence_of, unseen

WET = ("wet-spin", "rolling")


def required_roles():
    """Every role that a required rule needs, on a vehicle that has them all."""
    for stage in STAGES:
        bench = full_bench(stage)
        for name in RULES:
            rule = RULES[name]()
            if rule.applies(bench) and rule.required(bench):
                for subject in rule.subjects(bench):
                    yield from subject.needs


@pytest.mark.parametrize("role", sorted(set(required_roles())))
def test_every_role_of_a_required_rule_has_a_row(role):
    row = evidence_of(role)
    assert row is not None
    assert row.witnesses
    assert row.lies


def test_every_role_of_the_plan_has_exactly_one_row():
    assert {role.name for role in ROLES} == {row.role for row in EVIDENCE}
    assert len({row.role for row in EVIDENCE}) == len(EVIDENCE)


def test_a_witness_that_looks_like_a_rule_is_one_and_knows_the_role():
    for row in EVIDENCE:
        for witness in row.witnesses:
            assert witness.how
            if "-" in witness.by and " " not in witness.by:
                assert witness.by in RULES, f"{row.role}: {witness.by}"


@pytest.mark.parametrize("row", EVIDENCE, ids=lambda row: row.role)
def test_explain_prints_the_row(row, capsys):
    assert main(["explain", row.role]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for witness in row.witnesses:
        assert witness.by in text
    for words in (*row.lies, *(lie.what for lie in row.unseen)):
        assert words.replace("- ", "-") in text.replace("- ", "-")


def test_a_lie_is_unseen_only_if_it_was_told_of_all_of_its_roles_and_of_no_other():
    both = frozenset({"pack.voltage", "units.front.link_voltage", "units.rear.link_voltage"})
    assert "all voltages alike" in unseen("scale", both, 0.9)
    assert unseen("scale", both, 0.75) == ""
    assert unseen("scale", both, 2.0) == ""
    assert unseen("scale", frozenset({"pack.voltage"}), 0.9) == ""
    assert unseen("scale", both | {"pack.current"}, 0.9) == ""
    assert unseen("loss", frozenset(), None) == ""


def test_what_the_plan_states_is_an_anchor():
    speed, inertia = frozenset({"units.front.speed"}), frozenset({"inertia_kgm2"})
    assert "axles are not coupled" in unseen("scale", speed, 0.5)
    assert unseen("scale", speed, 0.1) == ""  # ten times the inertia of what turns
    assert unseen("scale", speed, 0.1, inertia) == ""
    assert "within half as much again" in unseen("scale", speed, 1.33, inertia)


def test_a_factor_of_a_temperature_is_measured_by_what_it_does_to_a_cold_one():
    """Twice 4 degC are 8, within the 5 K of cold-soak; twice 18 degC are 18 K off."""
    winding = frozenset({"units.rear.temperatures.winding"})
    assert "cold-soak" in unseen("warm-scale", winding, 4.0)
    assert unseen("warm-scale", winding, 18.0) == ""
    assert unseen("scale", winding, 1.0) == ""
