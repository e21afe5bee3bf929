"""`pio run -t upload` hands the image to the system's avrdude, with no package to be fetched."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PYTHON = ROOT / "build" / "firmware-tools" / "bin" / "python"


def test_upload_runs_avrdude_on_the_port(tmp_path):
    port = tmp_path / "no-port"
    environment = {"PLATFORMIO_CORE_DIR": str(ROOT / "build" / "platformio")}
    done = subprocess.run(
        [PYTHON, "-m", "platformio", "run", "-d", ROOT / "firmware", "-e", "nano",
         "-t", "upload", "--upload-port", port],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )
    said = done.stdout + done.stderr
    assert done.returncode != 0
    assert f"unable to open programmer arduino on port {port}" in said, said
    assert "Installing platformio/tool-avrdude" not in said
