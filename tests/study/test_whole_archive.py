"""An archive with planted faults: each is found, none is invented, and nothing is counted twice."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
