"""``canscope explain plan`` shows every key of the schema; the plan in the README is a plan."""

import re
import tomllib
from pathlib import Path

from canscope.cli.main import main
from canscope.model.roles import ROLES
from canscope.plan.load import read_plan
from canscope.plan.reference import reference
from canscope.plan.schema import MountingTable, PlanTable

ROOT = Path(__file__).parents[2]


def tables(model=PlanTable, seen=()):
    """Every table of the schema but those of roles, which have a table of their own."""
    yield model
    for part in re.findall(r"\w+", str({k: f.annotation for k, f in model.model_fields.items()})):
        import canscope.plan.schema as schema

        found = getattr(schema, part, None)
        if isinstance(found, type) and hasattr(found, "model_fields") and found not in seen:
            yield from tables(found, (*seen, model, found))


def test_every_key_of_the_schema_is_explained(capsys):
    assert main(["explain", "plan"]) == 0
    page = capsys.readouterr().out
    own = {field.split(".")[-1] for role in ROLES for field in role.words}
    keys = {key for model in tables() for key in model.model_fields} - set(PlanTable.model_fields)
    assert len(keys) > 40
    missing = [k for k in keys - own - set(MountingTable.model_fields) if f"  {k} " not in page]
    assert missing == []
    for role in ROLES:
        assert role.name in page


def test_every_example_of_the_reference_is_toml():
    for part in reference():
        for key in part.keys:
            if key.example:
                assert tomllib.loads(key.example)


def test_the_complete_plan_of_the_readme_can_be_used(tmp_path):
    text = (ROOT / "README.md").read_text("utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    (whole,) = [block for block in blocks if "# A complete plan" in block]
    for file in (ROOT / "dbc_examples" / "bramble").glob("*.dbc"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "bench.toml").write_text(whole, "utf-8")
    plan = read_plan(tmp_path / "bench.toml")
    bound = {re.sub(r"^units\.\w+", "units.*", name) for name in plan.bench.bindings}
    optional = {"cooling.flow", *(r.name for r in ROLES if r.name.endswith(".command"))}
    assert {role.name for role in ROLES} - optional <= {
        re.sub(r"temperatures\.\w+", "temperatures.*", name) for name in bound
    }
