# Make rules of the hardware. The top Makefile includes this file; it also works alone:
#     make -f hardware/hardware.mk hardware
# `hardware` installs what it needs (as root on Debian; elsewhere it says what is missing), checks the circuit and both
# boards, makes the archives for the board maker, simulates the lines, and rewrites the documents that carry figures.

HARDWARE_BUILD := build/hardware
HARDWARE_VENV := $(HARDWARE_BUILD)/venv
HARDWARE_PYTHON := $(HARDWARE_VENV)/bin/python
DRAWING_PATH := hardware/tools:hardware/drawings:hardware/simulation

.PHONY: hardware hardware-tools hardware-check hardware-simulation hardware-archives hardware-bill hardware-drawings \
        hardware-downloads hardware-enclosure hardware-experiments

hardware: hardware-archives hardware-bill hardware-drawings hardware-simulation hardware-downloads hardware-enclosure hardware-check
	@echo "hardware: archives for the board maker:" $(HARDWARE_BUILD)/boards/*-board.zip

hardware-tools:
	@sh hardware/tools/install.sh $(HARDWARE_VENV)

hardware-archives: hardware-tools
	@echo "hardware: Gerber, drill, placement and job files"
	@$(HARDWARE_PYTHON) hardware/tools/fabrication.py $(HARDWARE_BUILD)/boards

hardware-bill: hardware-tools
	@echo "hardware: bill of materials"
	@$(HARDWARE_PYTHON) hardware/tools/bill.py $(HARDWARE_BUILD)/boards

hardware-drawings: hardware-tools
	@echo "hardware: breadboard, stripboard, cables, cards"
	@for sheet in breadboard/write_breadboard cables/write_cables card/write_card experiments/wirings; do \
		PYTHONPATH=$(DRAWING_PATH) $(HARDWARE_PYTHON) hardware/$$sheet.py || exit 1; done

# About a minute on two cores.
hardware-simulation: $(HARDWARE_BUILD)/simulation/results.csv

$(HARDWARE_BUILD)/simulation/results.csv: $(wildcard hardware/simulation/*.py) | hardware-tools
	@echo "hardware: simulating the lines (about a minute)"
	@PYTHONPATH=$(DRAWING_PATH) $(HARDWARE_PYTHON) hardware/simulation/run.py $(HARDWARE_BUILD)/simulation

# Schematic as PDF and SVG, pictures of both sides; kept in the repository, so only made when a source has changed.
hardware-downloads: hardware-tools
	@echo "hardware: schematic and pictures"
	@$(HARDWARE_PYTHON) hardware/tools/downloads.py

hardware-check: hardware-tools
	@echo "hardware: checking"
	@$(HARDWARE_PYTHON) -m pytest -q tests/hardware

# STL files for a printer, a STEP file of the board with its parts, drawings; fails where something does not fit.
hardware-enclosure: $(HARDWARE_BUILD)/enclosure/made

$(HARDWARE_BUILD)/enclosure/made: $(wildcard hardware/enclosure/*.py) $(wildcard hardware/kicad/*.kicad_pcb) | hardware-tools
	@echo "hardware: enclosure"
	@$(HARDWARE_PYTHON) hardware/enclosure/make.py $(HARDWARE_BUILD)/enclosure
	@touch $@

# Needs the project's own Python package, so it is not part of `hardware`.
hardware-experiments: .venv/ready
	@PYTHONPATH=$(DRAWING_PATH) .venv/bin/python hardware/experiments/write_experiments.py
