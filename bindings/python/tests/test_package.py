"""What comes with the package: texts, types, the example."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import tickseam

HERE = Path(__file__).resolve().parents[1]


def test_every_public_name_has_a_docstring() -> None:
    assert tickseam.__doc__
    looked_at = 0
    for name in tickseam.__all__:
        thing = getattr(tickseam, name)
        if not (inspect.isclass(thing) or inspect.isroutine(thing)):
            continue
        assert thing.__doc__, name
        members = {} if not inspect.isclass(thing) else vars(thing)
        for member, value in members.items():
            if member.startswith("_") or not (callable(value) or isinstance(value, property) or inspect.isdatadescriptor(value)):
                continue
            if isinstance(value, thing):
                continue
            assert inspect.getdoc(value), f"{name}.{member}"
            looked_at += 1
    assert looked_at > 100


def test_the_types_hold_for_a_strict_reader() -> None:
    configuration = str(HERE / "pyproject.toml")
    for words in (
        ["mypy", "--strict", str(HERE / "example.py")],
        ["mypy", "--config-file", configuration, "-p", "tickseam"],
        ["mypy.stubtest", "--mypy-config-file", configuration, "--allowlist", str(HERE / "tests" / "stubtest.txt"), "tickseam"],
    ):
        done = subprocess.run([sys.executable, "-m", *words], capture_output=True, text=True, cwd=HERE / "tests")
        assert done.returncode == 0, done.stdout + done.stderr


def test_the_types_do_not_hold_for_a_wrong_call(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("import tickseam\ntickseam.Session({}).place('now')\n")
    done = subprocess.run([sys.executable, "-m", "mypy", "--strict", str(wrong)], capture_output=True, text=True)
    assert done.returncode == 1 and "incompatible type" in done.stdout


def test_the_example_runs_and_says_where_the_sound_fell() -> None:
    done = subprocess.run([sys.executable, str(HERE / "example.py")], capture_output=True, text=True, check=True)
    assert "live: the hum fell on sample 2500" in done.stdout and "110 of 110 events were placed" in done.stdout


def test_pandas_is_only_imported_when_it_is_asked_for() -> None:
    script = (
        "import sys\nsys.modules['pandas'] = None\nimport tickseam\n"
        f"sys.path.insert(0, {str(HERE / 'tests')!r})\n"
        "known = {'stream': [{'name': 'a', 'rate_hz': 250.0, 'samples_per_packet': 5, 'sequence_bits': 16}]}\n"
        "found = tickseam.replay(known, host_ns=[n * 20_000_000 for n in range(500)], sequence=list(range(500)),\n"
        "    events={'host_ns': [5_000_000_000], 'label': ['a']})\n"
        "print(found.event_arrays['status'], len(found.summary['words']) > 0)\n"
        "try:\n    found.events\nexcept ImportError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("['placed'] True") and "a DataFrame needs pandas" in done.stdout
