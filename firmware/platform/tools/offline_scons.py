"""Lets PlatformIO build without its own package registry.

PlatformIO runs its builds with SCons, which it fetches as a package of its own. The same SCons is
on PyPI, so this script makes a package folder that hands over to the SCons installed beside
PlatformIO. Run it with the Python that runs PlatformIO; it does nothing where PlatformIO already
has its package.
"""

import json
import sys
from pathlib import Path

from platformio.dependencies import get_core_dependencies
from platformio.package.manager.tool import ToolPackageManager
from platformio.package.meta import PackageSpec

LAUNCHER = "import SCons.Script\nSCons.Script.main()\n"


def main() -> int:
    wanted = get_core_dependencies()["tool-scons"]
    manager = ToolPackageManager()
    spec = PackageSpec(owner="platformio", name="tool-scons", requirements=wanted)
    if manager.get_package(spec):
        return 0
    try:
        import SCons
    except ImportError:
        how = f"{sys.executable} -m pip install scons"
        print(f"SCons is missing. Install it:  {how}", file=sys.stderr)
        return 1
    version = wanted.lstrip("~^=")
    folder = Path(manager.package_dir) / "tool-scons"
    folder.mkdir(parents=True, exist_ok=True)
    what = f"SCons {SCons.__version__} from PyPI"
    about = {"name": "tool-scons", "version": version}
    source = {"owner": "platformio", "name": "tool-scons"}
    source |= dict.fromkeys(("id", "requirements", "uri"))
    (folder / "package.json").write_text(json.dumps(about | {"description": what}))
    (folder / ".piopm").write_text(json.dumps(about | {"type": "tool", "spec": source}))
    (folder / "scons.py").write_text(LAUNCHER)
    print(f"PlatformIO uses {what} ({folder})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
