"""Compiles the Python extensions and the C client for every platform, on this computer.

The compiler is Zig's (from PyPI), which brings the headers and libraries of all systems along. The
same sources and the same options give the same bytes.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

from platforms import LIMITED_API, Platform

ZIG = (sys.executable, "-m", "ziglang")
COMMON = (
    "-std=gnu11", "-shared", "-fPIC", "-g0", "-s", "-fno-sanitize=undefined",
    # Sums of the recording check must not differ from one processor to another.
    "-ffp-contract=off",
)


def run(*command: object, folder: Path | None = None, **variables: str) -> str:
    """Runs a program, which has to succeed; returns what it printed."""
    done = subprocess.run(
        [str(each) for each in command], cwd=folder, env={**os.environ, **variables},
        capture_output=True, text=True, check=False,
    )
    if done.returncode:
        raise SystemExit(f"{command[0]} failed:\n{done.stdout}\n{done.stderr}")
    return done.stdout


def extensions(tree: Path, work: Path, platform: Platform) -> dict[str, Path]:
    """Builds what setup.py calls `cffi_modules`; returns the files by their path in the wheel.

    tree: the sources. work: a folder for what is made.
    """
    headers = _python_headers(work / "python-headers")
    made = {}
    for script in re.findall(r'"(host/\S+\.py):ffi"', (tree / "setup.py").read_text()):
        module, options, system = _generate(tree, work, script)
        if not platform.name.startswith(system):
            continue
        name = module.rpartition(".")[2]
        folder = work / platform.name
        folder.mkdir(parents=True, exist_ok=True)
        output = folder / (name + platform.extension)
        sources = [work / f"{name}.c", *options["sources"]]
        flags = [
            *COMMON, *platform.flags, f"-DPy_LIMITED_API={LIMITED_API}", f"-I{headers}",
            *(f"-I{each}" for each in options["include_dirs"]),
            "-O3" if "-O3" in options["extra_compile_args"] else "-O2", "-fvisibility=hidden",
        ]
        libraries = []
        if platform.name.startswith("macos"):  # otherwise the path of this folder gets into it
            flags.append(f"-Wl,-install_name,@rpath/{output.name}")
        if platform.name.startswith("windows"):
            libraries = [_python_library(tree, work, platform, flags, work / f"{name}.c")]
        run(*ZIG, "cc", "-target", platform.target, *flags, *sources, *libraries, "-o", output,
            folder=tree)
        made["/".join([*module.split(".")[:-1], output.name])] = output
    return made


def client(tree: Path, work: Path, platform: Platform) -> list[Path]:
    """Builds the C client as a library that programs load: the library, and for Windows also the
    file that a linker needs."""
    folder = work / platform.name / "c"
    folder.mkdir(parents=True, exist_ok=True)
    output = folder / platform.library
    flags, libraries = ["-Wl,--no-undefined"], []
    if platform.name.startswith("windows"):
        flags, libraries = ["-DTALLYMARK_DLL"], ["-lws2_32"]
    run(*ZIG, "cc", "-target", platform.target, *COMMON, "-O2", *flags, "host/c/tallymark.c",
        "host/c/tallymark_log.c", *libraries, "-o", output, folder=tree)
    return sorted(path for path in folder.iterdir() if path.suffix != ".pdb")


def _generate(tree: Path, work: Path, script: str) -> tuple[str, dict[str, list[str]], str]:
    """Writes the C of a cffi module into `work`; returns the module's name, its options, and the
    system that it is for; '' for all of them."""
    code = (
        "import json, runpy, sys\n"
        "script = runpy.run_path(sys.argv[1])\n"
        "ffi = script['ffi']\n"
        "module, _, _, options = ffi._assigned_source\n"
        "ffi.emit_c_code(sys.argv[2] + '/' + module.rpartition('.')[2] + '.c')\n"
        "keys = ('sources', 'include_dirs', 'extra_compile_args')\n"
        "options = {key: options.get(key, []) for key in keys}\n"
        "print(json.dumps([module, options, script.get('SYSTEM', '')]))\n"
    )
    work.mkdir(parents=True, exist_ok=True)
    module, options, system = json.loads(
        run(sys.executable, "-c", code, script, work, folder=tree).splitlines()[-1]
    )
    return module, options, system


def _python_headers(folder: Path) -> Path:
    if not folder.exists():
        shutil.copytree(sysconfig.get_path("include"), folder)
        shutil.copyfile(Path(__file__).with_name("pyconfig.h"), folder / "pyconfig.h")
    return folder


def _python_library(
    tree: Path, work: Path, platform: Platform, flags: list[str], source: Path
) -> Path:
    """The list of names that Windows' python3.dll has and this module uses, for the linker."""
    compiled = work / platform.name / f"{source.stem}.o"
    options = [each for each in flags if each not in ("-shared", "-s")]
    run(*ZIG, "cc", "-target", platform.target, *options, "-c", source, "-o", compiled, folder=tree)
    names = sorted(set(re.findall(rb"__imp_(_?Py\w+)", compiled.read_bytes())))
    listed = compiled.with_suffix(".def")
    listed.write_text("LIBRARY python3.dll\nEXPORTS\n" + "".join(f"{n.decode()}\n" for n in names))
    library = compiled.with_name(f"lib{source.stem}-python3.a")
    run(*ZIG, "dlltool", "-m", "i386:x86-64", "-d", listed, "-l", library)
    return library
