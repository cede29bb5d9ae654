"""The package's public names are these and load only when they are used."""

import re
import subprocess
import sys

import canscope

NAMES = """read_capture read_definitions read_plan decode check watch write_report
Frames Signals Finding Report CanscopeError"""


def test_the_public_names_are_these():
    assert sorted(canscope.__all__) == sorted(NAMES.split())


def test_every_public_name_can_be_had():
    assert all(getattr(canscope, name) is not None for name in NAMES.split())


def test_importing_the_package_imports_nothing_heavy():
    code = (
        "import canscope, sys; "
        "print([m for m in ('numpy','pandas','plotly','cantools','can','pydantic','rich') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_imports_nothing_heavy():
    code = (
        "import sys, contextlib, io\nfrom canscope.cli.main import main\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):\n"
        "    main(['--help'])\n"
        "print([m for m in ('numpy','pandas','plotly','cantools','can','pydantic','rich') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_dir_and_help_show_the_public_names_only():
    assert set(dir(canscope)) == {*NAMES.split(), "__doc__", "__version__"}
    import pydoc

    page = pydoc.plain(pydoc.render_doc(canscope))
    functions = page.split("FUNCTIONS")[1].split("\nVERSION")[0].split("\nDATA")[0]
    assert set(re.findall(r"^ {4}(\w+)\(", functions, re.MULTILINE)) == {
        name for name in NAMES.split() if name[0].islower()
    }
    # They stand before pydoc's list of what is inside the package, which it always gives: it asks
    # ``__path__`` as importlib does, so that whatever hides modules from the one hides them from
    # the other, and from pkgutil and whoever packs the package.
    told = page.split("PACKAGE CONTENTS")[0]
    assert all(name in told for name in NAMES.split())
    assert "internal" in told


def test_a_wrong_name_is_answered_with_the_nearest():
    code = "import canscope; canscope.read_captur"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert "Did you mean: 'read_capture'?" in done.stderr
