"""The frame of the command line: exit codes, one line on stderr, nothing heavy before it is needed."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import terrain
from terrain.cli import main
from terrain.cli.options import option_name, survey_overrides
from terrain.errors import ConfigError, ReadError
from terrain.foot import foot_names
from terrain.survey import KEYS

HEAVY = ("numpy", "numba", "scipy", "laspy", "open3d", "rasterio", "shapely", "matplotlib", "pydantic")


def run(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "terrain.cli.main", *args], capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("statement", ["import terrain", "import terrain.cli.main"])
def test_nothing_heavy_is_imported(statement: str) -> None:
    code = f"{statement}; import sys; print([name for name in {HEAVY} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_lists_every_command_without_loading_one() -> None:
    code = (
        "import sys; from click.testing import CliRunner; from terrain.cli.main import cli;"
        "print(CliRunner().invoke(cli, ['--help']).output);"
        f"print([name for name in {HEAVY} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")
    for name, (_, line) in main.COMMANDS.items():
        assert name in done.stdout
        assert line in done.stdout


def test_version_is_that_of_the_package() -> None:
    result = CliRunner().invoke(main.cli, ["--version"])
    assert result.exit_code == 0
    assert result.output == f"terrain {terrain.__version__}\n"


@pytest.mark.parametrize("args", [["nope"], ["--nope"], ["feet", "--nope"], ["feet", "extra"]])
def test_wrong_usage_exits_with_2(args: list[str]) -> None:
    result = CliRunner().invoke(main.cli, args)
    assert result.exit_code == 2
    assert result.stdout == ""


def with_command(monkeypatch: pytest.MonkeyPatch, command: click.Command) -> None:
    monkeypatch.setattr(main, "COMMANDS", {"probe": (f"{__name__}:probe", "A probe.")})
    monkeypatch.setattr(main.importlib, "import_module", lambda name: type("module", (), {"probe": command}))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ConfigError("foot.toml: name: missing,\nexpected text"), "Error: foot.toml: name: missing, expected text\n"),
        (ReadError("a.laz: cut short"), "Error: a.laz: cut short\n"),
        (OSError(28, "No space left on device", "map"), "Error: [Errno 28] No space left on device: 'map'\n"),
    ],
)
def test_data_errors_are_one_line_and_exit_1(monkeypatch: pytest.MonkeyPatch, error: Exception, said: str) -> None:
    @click.command("probe")
    def probe() -> None:
        raise error

    with_command(monkeypatch, probe)
    result = CliRunner().invoke(main.cli, ["probe"])
    assert result.exit_code == 1
    assert result.stderr == said
    assert result.stdout == ""


def test_mistakes_of_the_program_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command("probe")
    def probe() -> None:
        raise KeyError("a bug")

    with_command(monkeypatch, probe)
    assert isinstance(CliRunner().invoke(main.cli, ["probe"]).exception, KeyError)


@click.command("probe")
@survey_overrides
def probe_overrides(overrides: dict[str, str]) -> None:
    click.echo(repr(overrides))


def test_every_key_has_an_option() -> None:
    names = {name for parameter in probe_overrides.params for name in parameter.opts}
    assert names == {option_name(key.name) for key in KEYS}
    assert {"--sensor-range-sd-m", "--poses-max-gap-s", "--foot", "--sensor-mount-translation-m"} <= names


def test_only_given_overrides_are_passed() -> None:
    runner = CliRunner()
    assert runner.invoke(probe_overrides, []).output == "{}\n"
    result = runner.invoke(probe_overrides, ["--foot", "boot", "--frame-gravity", "0,0,-9.81"])
    assert result.output == repr({"frame.gravity": "0,0,-9.81", "foot.profile": "boot"}) + "\n"


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ("--sensor-range-sd-m", "wide"),
        ("--sensor-range-sd-m", "-1"),
        ("--poses-refine", "maybe"),
        ("--frame-gravity", "0,0"),
    ],
)
def test_a_value_the_key_does_not_allow_is_wrong_usage(option: str, words: str) -> None:
    result = CliRunner().invoke(probe_overrides, [option, words])
    assert result.exit_code == 2
    assert option in result.stderr
    assert "expected" in result.stderr


def test_feet_lists_every_profile() -> None:
    done = run("feet")
    assert done.returncode == 0
    assert done.stderr == ""
    header, *rows = done.stdout.splitlines()
    assert tuple(header.split()) == foot_names()
    assert any(row.split() == ["slope,", "degrees", "10/18", "12/20", "15/25"] for row in rows)


def test_feet_of_an_installed_package_lie_inside_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import terrain.foot as foot

    packaged = tmp_path / "terrain" / "configs"
    packaged.mkdir(parents=True)
    monkeypatch.setattr(foot, "__file__", str(tmp_path / "terrain" / "foot.py"))
    assert foot.configs_folder() == packaged


@pytest.mark.parametrize("words", ["nan", "NaN", "-nan", "inf"])
@pytest.mark.parametrize(
    ("command", "option"),
    [
        ("compare", "--false-alarm"),
        ("compare", "--least-height-mm"),
        ("compare", "--least-area-cm2"),
        ("unseen", "--sensor-height-m"),
        ("report", "--sensor-height-m"),
        ("follow", "--until-quiet"),
    ],
)
def test_a_number_that_is_none_is_wrong_usage(tmp_path: Path, command: str, option: str, words: str) -> None:
    """Comparisons with NaN are all false (IEEE 754), so that bounds alone let it through."""
    survey = tmp_path / "survey.toml"
    survey.write_text("")
    maps = {"compare": [str(tmp_path), str(tmp_path)], "follow": [str(survey), "--out", str(tmp_path / "map")]}
    result = CliRunner().invoke(main.cli, [command, *maps.get(command, [str(tmp_path)]), f"{option}={words}"])
    assert result.exit_code == 2, result.output
    assert option in result.stderr
    assert "Traceback" not in result.output


def test_a_scan_given_as_survey_is_told_how_to_get_one(tmp_path: Path) -> None:
    scan = tmp_path / "pass.laz"
    scan.write_bytes(b"LASF\x00\x00\xff\xfe" * 20)
    result = CliRunner().invoke(main.cli, ["assess", str(scan), "--out", str(tmp_path / "map")])
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "expected a TOML file; `terrain look FILE --survey` writes one" in result.stderr


def test_the_package_runs_as_a_module() -> None:
    done = subprocess.run([sys.executable, "-m", "terrain", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == f"terrain {terrain.__version__}"


def test_ctrl_c_waits_while_python_counts_its_locks_of_imports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Raised in there it is swallowed, or leaves the lock of all imports taken, and a command with threads never ends.

    Source: `_get_module_lock` of CPython's Lib/importlib/_bootstrap.py, whose file name the code below bears.
    """
    passed: list[str] = []

    @click.command("probe")
    def probe() -> None:
        code = "signal.raise_signal(signal.SIGINT); passed.append('bookkeeping')"
        exec(compile(code, "<frozen importlib._bootstrap>", "exec"), {"signal": signal, "passed": passed})
        until = time.monotonic() + 20.0
        while time.monotonic() < until:
            time.sleep(0.01)
        passed.append("never interrupted")

    with_command(monkeypatch, probe)
    before = signal.getsignal(signal.SIGINT)
    result = CliRunner().invoke(main.cli, ["probe"])
    assert (passed, result.exit_code) == (["bookkeeping"], 1)
    assert signal.getsignal(signal.SIGINT) is before


def test_ctrl_c_ends_a_command_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    passed: list[str] = []

    @click.command("probe")
    def probe() -> None:
        signal.raise_signal(signal.SIGINT)
        passed.append("went on")

    with_command(monkeypatch, probe)
    result = CliRunner().invoke(main.cli, ["probe"])
    assert (passed, result.exit_code) == ([], 1)
