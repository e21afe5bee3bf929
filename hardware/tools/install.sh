#!/bin/sh
# Installs what `make hardware` needs: KiCad 9 (Debian 12 has it in bookworm-backports), ngspice, and a virtual
# environment in build/hardware/venv that sees KiCad's own Python modules. Does nothing when all of it is there.
set -eu
venv=${1:?usage: install.sh <directory of the virtual environment>}
here=$(dirname "$0")

kicad_is_new_enough() {
    command -v kicad-cli >/dev/null 2>&1 && [ "$(kicad-cli version | cut -d. -f1)" -ge 9 ] &&
        [ -d /usr/share/kicad/symbols ] && [ -d /usr/share/kicad/footprints ]
}

tools_are_there() {
    kicad_is_new_enough && command -v ngspice >/dev/null 2>&1 && command -v pdftoppm >/dev/null 2>&1 &&
        /usr/bin/python3 -c 'import venv, ensurepip' 2>/dev/null
}

if ! tools_are_there; then
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null 2>&1; then
        echo "hardware: this needs KiCad 9 or later (kicad-cli, symbols, footprints), ngspice, poppler-utils and" >&2
        echo "Python's venv module. On Debian 12, run this once as root; elsewhere install them with your system's" >&2
        echo "package manager (https://www.kicad.org/download) and run make again." >&2
        exit 1
    fi
    echo "hardware: installing KiCad 9, ngspice and poppler-utils (about 0.8 GB on disk)"
    export DEBIAN_FRONTEND=noninteractive
    . /etc/os-release
    kicad_suite=""
    if [ "${VERSION_CODENAME:-}" = bookworm ]; then
        kicad_suite=bookworm-backports
        list=/etc/apt/sources.list.d/tallymark-backports.list
        # beside the archive and the key that this machine uses for Debian itself
        archive=$(apt-get indextargets --format '$(REPO_URI) $(RELEASE)' "Created-By: Packages" |
            awk '$2 == "bookworm" {print $1; exit}')
        if ! grep -rqs "$kicad_suite" /etc/apt/sources.list /etc/apt/sources.list.d; then
            echo "deb [signed-by=/usr/share/keyrings/debian-archive-keyring.gpg] $archive $kicad_suite main" >"$list"
        fi
    fi
    apt-get update -qq
    apt-get install -y -qq --no-install-recommends ${kicad_suite:+-t "$kicad_suite"} kicad kicad-symbols kicad-footprints
    apt-get install -y -qq --no-install-recommends ngspice poppler-utils python3-venv
fi

stamp=$venv/requirements.installed
if ! cmp -s "$here/requirements.txt" "$stamp"; then
    # The system's Python, because KiCad's modules are built for it.
    /usr/bin/python3 -m venv --system-site-packages "$venv"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r "$here/requirements.txt"
    cp "$here/requirements.txt" "$stamp"
fi
