"""What is in `dist/` beside the wheels, made from two clones: firmware, clients, reference, list of
parts, checksums. What KiCad makes takes KiCad; here its files are only held against their rules.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from email.parser import HeaderParser
from html.parser import HTMLParser
from pathlib import Path

import pytest
from intelhex import IntelHex
from release_rig import IMAGES, ROOT, TOOLS, commit

sys.path.insert(0, str(ROOT / "release"))
from hardware_files import undated
from step_colour_order import with_ordered_colours

pytestmark = pytest.mark.timeout(1800)
PLATFORM = "linux-x86_64"
CLONES = ("clone", "a clone elsewhere")


@functools.cache
def dist_of(folder: Path) -> Path:
    """The `dist` that a clone in this folder makes, for one platform and without boards."""
    if not (ROOT / ".git").exists() or not TOOLS.exists():
        pytest.skip("needs a clone, and 'make build/release-tools/ready'")
    subprocess.run(["git", "clone", "-q", "--no-checkout", ROOT, folder], check=True)
    subprocess.run(["git", "checkout", "-q", "--detach", commit()], cwd=folder, check=True)
    (folder / IMAGES).mkdir(parents=True, exist_ok=True)
    for image in (ROOT / IMAGES).glob("*.*"):
        shutil.copy(image, folder / IMAGES)
    cache = Path.home() / ".cache/tallymark/zig"
    subprocess.run(
        [TOOLS, "release/make_release.py", folder / "dist", "--platforms", PLATFORM,
         "--without-boards"],
        cwd=folder, check=True, env={**os.environ, "ZIG_GLOBAL_CACHE_DIR": str(cache)},
        stdout=subprocess.DEVNULL,
    )
    return folder / "dist"


@pytest.fixture(scope="module")
def clones(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return [tmp_path_factory.mktemp("dist") / name for name in CLONES]


@pytest.fixture
def dist(clones: list[Path]) -> Path:
    return dist_of(clones[0])


def one(folder: Path, pattern: str) -> Path:
    (found,) = folder.glob(pattern)
    return found


def files_of(path: Path) -> dict[str, bytes]:
    """The files in an archive."""
    if path.suffix == ".zip":
        with zipfile.ZipFile(path) as packed:
            return {name: packed.read(name) for name in packed.namelist()}
    with tarfile.open(path) as packed:
        return {entry.name: packed.extractfile(entry).read()  # type: ignore[union-attr]
                for entry in packed if entry.isfile()}


def test_two_clones_give_the_same_bytes(clones: list[Path]) -> None:
    first, second = ({path.name: path.read_bytes() for path in dist_of(clone).iterdir()}
                     for clone in clones)
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_everything_is_there_and_has_its_checksum(dist: Path) -> None:
    names = {re.sub(r"-\d+\.\d+\.\d+", "", path.name) for path in dist.iterdir()}
    assert names >= {
        "CHANGELOG.md", "RELEASE-NOTES.md", "SHA256SUMS", "quick-card.pdf", "tallymark-pico.uf2",
        "tallymark-nano.hex", "tallymark-c.zip", "tallymark-octave.tar.gz", "tallymark-node.tgz",
        "tallymark-hardware.zip", "tallymark-reference.zip", "tallymark.cdx.json",
        "tallymark.tar.gz", "tallymark-py3-none-any.whl",
    }
    listed = dict(line.split()[::-1] for line in (dist / "SHA256SUMS").read_text().splitlines())
    assert listed == {path.name: hashlib.sha256(path.read_bytes()).hexdigest()
                      for path in dist.iterdir() if path.name != "SHA256SUMS"}


def test_the_firmware_is_that_of_the_wheel(dist: Path) -> None:
    wheel = files_of_wheel(one(dist, "*none-any.whl"))
    uf2, hexed = one(dist, "*.uf2").read_bytes(), one(dist, "*.hex")
    assert uf2 == wheel["tallymark/box/flash/images/pico.uf2"]
    assert hexed.read_bytes() == wheel["tallymark/box/flash/images/nano.hex"]
    assert uf2[:4] == b"UF2\n"
    assert len(uf2) % 512 == 0
    assert 4_000 < len(IntelHex(str(hexed))) <= 30_720


def files_of_wheel(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def test_the_library_for_c_can_be_loaded_and_linked(dist: Path, tmp_path: Path) -> None:
    if sys.platform != "linux":
        pytest.skip("the library of Linux is loaded")
    with zipfile.ZipFile(one(dist, "tallymark-c-*.zip")) as packed:
        packed.extractall(tmp_path)
    library = one(tmp_path / PLATFORM, "*.so")
    functions = set(re.findall(r"\b(tallymark_\w+)\(", (tmp_path / "tallymark.h").read_text()))
    loaded = ctypes.CDLL(str(library))
    assert len(functions) > 10
    assert [name for name in functions if not hasattr(loaded, name)] == []
    program = tmp_path / "a.c"
    program.write_text('#include "tallymark.h"\nint main(void) { return 0; }\n')
    subprocess.run(["cc", "-I", tmp_path, program, tmp_path / "tallymark.c", "-o", tmp_path / "a"],
                   check=True)
    subprocess.run([tmp_path / "a"], check=True)


def test_node_installs_its_package(dist: Path, tmp_path: Path) -> None:
    assert shutil.which("npm"), "needs npm"
    package = one(dist, "tallymark-node-*.tgz")
    names = files_of(package)
    assert not [name for name in names if re.search(r"/(node_modules|tests?)/", name)]
    (tmp_path / "package.json").write_text('{"name": "lab", "type": "module"}')
    subprocess.run(["npm", "install", "--silent", "--ignore-scripts", package], cwd=tmp_path,
                   check=True)
    program = "import { Box } from 'tallymark'; console.log(typeof Box.open)"
    done = subprocess.run(["node", "--input-type=module", "-e", program], cwd=tmp_path, check=True,
                          capture_output=True, text=True)
    assert done.stdout.strip() == "function"


def test_octave_installs_its_package(dist: Path, tmp_path: Path) -> None:
    assert shutil.which("octave-cli"), "needs octave"
    package = one(dist, "tallymark-octave-*.tar.gz")
    program = (
        f"pkg prefix {tmp_path}/p {tmp_path}/a; pkg local_list {tmp_path}/list; "
        f"pkg install -nodeps {package}; pkg load -nodeps tallymark; "
        "disp(which('tallymark.Box'))"
    )
    done = subprocess.run(["octave-cli", "--norc", "--eval", program], check=True, text=True,
                          capture_output=True)
    assert (tmp_path / "p").rglob("Box.m")
    assert "Box.m" in done.stdout, done.stdout + done.stderr


class Links(HTMLParser):
    """What a page links to, and what it loads by itself."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "a" and given.get("href"):
            self.links.append(str(given["href"]))
        elif tag in ("script", "img", "iframe") and given.get("src"):
            self.loads.append(str(given["src"]))
        elif tag == "link" and given.get("href"):
            self.loads.append(str(given["href"]))


def test_the_reference_opens_without_a_network(dist: Path) -> None:
    files = files_of(one(dist, "tallymark-reference-*.zip"))
    start = Links()
    start.feed(files["index.html"].decode())
    assert {"python/tallymark.html", "c/tallymark_8h.html", "protocol.html", "marker-log.html",
            "signature.html", "recording-check.html"} <= set(start.links)
    missing = []
    for name, content in files.items():
        if not name.endswith(".html"):
            continue
        page = Links()
        page.feed(content.decode())
        assert [each for each in page.loads if re.match(r"(https?:)?//", each)] == [], name
        for each in page.loads + page.links:
            target = each.partition("#")[0].partition("?")[0]
            if target and not re.match(r"\w+:", target):
                path = os.path.normpath(os.path.join(os.path.dirname(name), target))
                missing += [] if path in files else [(name, each)]
    assert missing == []
    assert "tallymark_pulse" in files["c/tallymark_8h.html"].decode()
    assert "width_us" in files["python/tallymark.html"].decode()
    assert "marker_log" in files["marker-log.html"].decode()


def test_the_list_of_parts_has_all_that_the_wheel_asks_for(dist: Path) -> None:
    parts = json.loads(one(dist, "*.cdx.json").read_text())
    assert parts["bomFormat"] == "CycloneDX"
    wheel = files_of_wheel(one(dist, "*none-any.whl"))
    (about,) = (content for name, content in wheel.items() if name.endswith("/METADATA"))
    asked = HeaderParser().parse(io.StringIO(about.decode())).get_all("Requires-Dist") or []
    wanted = {
        re.split(r"[ ><=;\[!~]", line)[0].lower().replace("_", "-")
        for line in asked
        if not re.search(r"extra == .(test|mutants)|python_version", line)
    }
    there = {each["name"].lower().replace("_", "-"): each for each in parts["components"]}
    assert wanted <= there.keys()
    assert {"dask", "fpdf2", "matplotlib", "numpy", "starlette", "pyxdf"} <= there.keys()
    assert all(each["version"] and each["purl"] for each in there.values() if "purl" in each)
    assert str(ROOT) not in one(dist, "*.cdx.json").read_text()


def test_nothing_links_to_what_is_not_beside_it(dist: Path) -> None:
    for name in ("CHANGELOG.md", "RELEASE-NOTES.md"):
        text = (dist / name).read_text()
        assert re.findall(r"\]\((?!https?:|#)[^)]*\)", text) == []
        assert "VERSION" not in text


STEP = """ISO-10303-21;
HEADER;
FILE_NAME('board.step','2026-01-05T10:00:00',('Author'),(''),'','','');
ENDSEC;
DATA;
#1 = SHAPE('a');
#2 = SHAPE('b');
{}ENDSEC;
END-ISO-10303-21;
"""
ROOT_OF = "MECHANICAL_DESIGN_GEOMETRIC_PRESENTATION_REPRESENTATION"


def colours(order: tuple[int, int]) -> str:
    """Both shapes in one colour, in the order given; the colour is defined where first used."""
    first, second = order
    return (
        f"#3 = {ROOT_OF}('',(\n    #4),#{first});\n#4 = STYLED_ITEM('color',(#5),#{first});\n"
        "#5 = COLOUR_RGB('',0.75,0.5,0.25);\n"
        f"#6 = {ROOT_OF}('',(#7),#{second});\n#7 = STYLED_ITEM('color',(#5),#{second});\n"
    )


def test_colours_of_a_step_file_are_in_order() -> None:
    """They are in the order of addresses in memory, so that each run gives other bytes."""
    one_run, other = STEP.format(colours((1, 2))), STEP.format(colours((2, 1)))
    assert one_run != other
    ordered = with_ordered_colours(one_run)
    assert ordered == with_ordered_colours(other) == with_ordered_colours(ordered)
    assert undated(one_run.encode(), 0) == undated(
        other.replace("2026-01-05", "2027-02-06").encode(), 0)
    numbers = [int(number) for number in re.findall(r"^#(\d+)", ordered, re.MULTILINE)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert ordered.count("COLOUR_RGB") == 1
    assert re.search(rf"#(\d+) = STYLED_ITEM\('color',\(#\d+\),#1\);\n#\d+ = {ROOT_OF}\('',\(#\1\),"
                     r"#1\)", ordered)
    assert with_ordered_colours(STEP.format("")) == STEP.format("")
    with pytest.raises(ValueError, match="something between"):
        with_ordered_colours(STEP.format(colours((1, 2)).replace("#6 =", "/* note */\n#6 =")))
