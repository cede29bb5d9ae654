"""What a stage demands of the plan itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canscope.plan.mistakes import Notes

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable

WET = ("wet-spin", "rolling")
FLUIDS = ("coolant", "oil")
FULLEST = 1.4  # times its nominal voltage: 1.17 for most lithium cells; common practice, no source


def fluid_state(given: str | None, stage: str) -> str:
    """``empty`` or ``filled``: as the plan says, else filled in wet stages only."""
    return given or ("filled" if stage in WET else "empty")


def check_stage(plan: PlanTable, notes: Notes) -> None:
    """Coolant and oil against the stage, and voltages against each other."""
    if "job" not in notes.touched:
        _check_fluids(plan, notes)
    pack = plan.pack
    highest, nominal = pack.maximum_voltage_V, pack.nominal_voltage_V
    if highest is None or nominal is None:
        return
    path, hint = ("pack", "maximum_voltage_V"), "the voltage of the fully charged pack"
    if highest < nominal:
        notes.mistake(path, "below nominal_voltage_V", hint)
    elif highest > FULLEST * nominal:
        what = f"more than {FULLEST:g} times nominal_voltage_V ({nominal:g} V), as no cell has it"
        notes.mistake(path, what, hint)


def _check_fluids(plan: PlanTable, notes: Notes) -> None:
    job = plan.job
    for fluid in FLUIDS:
        given = getattr(job, fluid)
        if given == "empty" and job.stage in WET:
            what = f"{job.stage} with empty {fluid}"
            notes.mistake(("job", fluid), what, "fill it first, or name the stage dry-spin")
        elif given is None:
            notes.warn(("job", fluid), f"not given; taken as {fluid_state(None, job.stage)}")
    if job.stage == "dry-spin" and (job.coolant, job.oil) == ("filled", "filled"):
        what = "dry-spin with coolant and oil both filled"
        hint = 'say which is "empty", or name the stage wet-spin'
        notes.mistake(("job", "stage"), what, hint)
