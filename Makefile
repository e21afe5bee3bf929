# What can be done with a checkout. Each target installs what it needs: Python packages into .venv, and Debian packages
# with apt-get where a command is missing (as root; otherwise it says what to install).

BIN := .venv/bin
FIRMWARE_C := $(wildcard firmware/core/*.[ch] firmware/boards/virtual/*.[ch]) firmware/boards/usb_id.h
KERNEL := host/tallymark/recording/kernel
KERNEL_C := $(wildcard $(KERNEL)/*.[ch])
FIRST_BYTE := host/tallymark/bridge/first_byte
FIRST_BYTE_C := $(wildcard $(FIRST_BYTE)/*.[ch])
STRICT := -std=c11 -O2 -Wall -Wextra -Wpedantic -Wconversion -Wmissing-prototypes -Werror
VIRTUAL := -Ifirmware/core -Ifirmware/boards/virtual firmware/core/*.c firmware/boards/virtual/*.c
SANITIZE := -g -fsanitize=address,undefined -fno-sanitize-recover=all
GUIDED_S := 300
SEEDS := 1 2 3 4 5 6 7 8

.PHONY: help demo test test-chips test-files test-programs lint campaign soak strobe-run fuzz mutants mutants-sample mutants-python coverage coverage-core bench proof clean

help:
	@echo 'make demo      a session through a box without hardware, recorded and checked: see build/demo'
	@echo 'make test      everything that is checked'
	@echo 'make firmware  both firmware images, in build/firmware, with their sizes'
	@echo 'make hardware  schematic, board, manufacturing files and line simulation'
	@echo 'make release   what users download, in dist: wheels, firmware, Gerbers, clients, reference'
	@echo 'make windows   the wheel for Windows, installed and tested in Wine'
	@echo 'make coverage  lines and branches of the Python library that the tests reach: see build/coverage/html'
	@echo 'make bench     figures beside their baselines, and build/bench.json'
	@echo 'make proof     the recording check on two thousand made-up recordings of fresh seeds'
	@echo 'make fuzz      broken and random input for the firmware core, longer than in the tests'
	@echo 'make mutants   puts small bugs into copies of the tree, one at a time, and counts those that the tests catch'
	@echo 'make mutants-sample  a hundred of them, drawn by the commit; mutants-python: those that a program makes'
	@echo 'make coverage-core  lines and branches of the firmware core that its tests reach'
	@echo 'make campaign  millions of steps of a simulated world with every kind of fault; counts into PROMISES.md'
	@echo 'make soak      10 million markers over a simulated month'
	@echo 'make strobe-run  ten thousand strobed markers on each simulated board, with a full port: how far lead and hold are off'
	@echo 'make lint      ruff, mypy, C warnings'
	@echo 'make clean     remove what was built'

PYTHON_CAN_BUILD := python3 -c 'import ensurepip, os, sysconfig as s; os.stat(s.get_path("include") + "/Python.h")'

# $(call need,CHECK,PACKAGES): installs Debian packages unless the shell command CHECK succeeds. A machine that has some packages
# from backports may find others only there.
need = if ! { $(1); } >/dev/null 2>&1; then \
	if command -v apt-get >/dev/null && [ "$$(id -u)" = 0 ]; then \
		echo "Installing $(2) with apt-get"; \
		export DEBIAN_FRONTEND=noninteractive; apt-get update -qq; \
		install="apt-get install -qq -y -o DPkg::Lock::Timeout=600 $(2)"; \
		$$install >/dev/null 2>&1 || $$install -t "$$(. /etc/os-release; echo $$VERSION_CODENAME)-backports" >/dev/null; \
	else \
		echo "This needs $(2). On Debian: sudo apt-get install $(2)"; exit 1; \
	fi; fi

include firmware/firmware.mk hardware/hardware.mk release/release.mk tests/windows/windows.mk

demo: .venv/ready
	@$(BIN)/python host/examples/ferry/whole_chain.py build/demo

# Rooms that simulate their time, or need none, go side by side; the others have the machine for themselves.
CHIP_ROOMS := campaign conformance core fuzz mutants nano pico protocol release signature study
FILE_ROOMS := hardware recording

test: lint build/fuzz firmware hardware-check test-programs build/release-tools/ready $(WINDOWS)
	@$(MAKE) --no-print-directory --jobs=2 --output-sync=target test-chips test-files
	$(BIN)/python -m pytest $(addprefix --ignore=tests/,$(CHIP_ROOMS) $(FILE_ROOMS))

test-chips:
	$(BIN)/python -m pytest $(addprefix tests/,$(CHIP_ROOMS))

test-files:
	$(BIN)/python -m pytest $(addprefix tests/,$(FILE_ROOMS))

# Programs that nobody here wrote, which the tests set beside our own.
test-programs:
	@$(call need,command -v doxygen,--no-install-recommends doxygen)
	@$(call need,command -v sigrok-cli && command -v avrdude,sigrok-cli avrdude)
	@$(call need,command -v chromium,chromium)
	@$(call need,command -v npm,nodejs npm)
	@$(call need,test -d /usr/share/arduino/hardware/arduino/avr/bootloaders,--no-install-recommends arduino-core-avr)
	@$(call need,command -v socat && command -v nc,socat netcat-openbsd)
	@$(call need,test -e /usr/include/cjson/cJSON.h,libcjson-dev)
	@$(call need,octave-cli --eval 'pkg load instrument-control',--no-install-recommends octave octave-instrument-control)

lint: .venv/test-ready
	$(BIN)/ruff check .
	$(BIN)/mypy host/tallymark host/examples/*/*.py
	@for file in firmware/core/*.c firmware/boards/virtual/*.c; do \
		$(CC) $(STRICT) -Ifirmware/core -Ifirmware/boards/virtual -fsyntax-only $$file || exit 1; done
	@$(CC) $(STRICT) -fsyntax-only host/c/tallymark.c host/c/tallymark_log.c $(KERNEL)/*.c
	@$(CC) $(STRICT) -Ifirmware/core -Ifirmware/boards/virtual -fsyntax-only $(FIRST_BYTE)/*.c
	@echo 'C: no warnings'

# STEPS: how many; a million take four to eight minutes of two processors.
STEPS := 3000000
campaign: .venv/test-ready
	@$(BIN)/python tests/campaign/campaign.py --steps $(STEPS) --promises PROMISES.md

strobe-run: .venv/test-ready firmware
	@$(call need,command -v npm,nodejs npm)
	@$(BIN)/python tests/bench/strobe.py 10000

soak: .venv/test-ready
	@$(BIN)/python tests/campaign/soak.py

fuzz: build/fuzz build/guided .venv/ready firmware
	@$(call need,command -v npm,nodejs npm)
	@mkdir -p build/fuzz-inputs
	@cd build && ./guided -max_total_time=$(GUIDED_S) -max_len=600 -print_final_stats=1 fuzz-inputs ../tests/fuzz/corpus ../tests/fuzz/crashes
	@$(BIN)/python tests/fuzz/seed_frames.py | build/fuzz faults
	@for seed in $(SEEDS); do build/fuzz random 10000000 $$seed && build/fuzz requests 2000000 $$seed || exit 1; done
	@cd tests/pico && { test -d node_modules || npm ci --silent; } && TALLYMARK_STORM=full node --test random_input.test.mjs

# The rooms that prove the library; boards and clients in other languages run little of it. What is left is in tests/UNCOVERED_LINES.md.
COVERAGE_ROOMS := library monitor recording selftest bridge cli protocol pico/test_uf2_upload.py
coverage: .venv/test-ready firmware test-programs
	@rm -rf build/coverage && mkdir -p build/coverage
	$(BIN)/coverage run -m pytest -q $(addprefix tests/,$(COVERAGE_ROOMS))
	@$(BIN)/coverage combine -q && $(BIN)/coverage html -q && $(BIN)/coverage json -q
	$(BIN)/coverage report --fail-under=92

mutants-python: .venv/test-ready
	@$(BIN)/python -c 'import cosmic_ray' 2>/dev/null || $(BIN)/pip install --quiet --editable '.[mutants]'
	@$(BIN)/python tests/mutants/python_mutants.py build/mutants-python.toml
	@$(BIN)/python tests/mutants/run.py --generated build/mutants-python.toml --out build/mutants-python.json

# The tables that people wrote; mutants-python has those that a program makes. A sample is drawn by the commit, and takes less
# than five minutes on two cores.
mutants mutants-sample: .venv/test-ready firmware
	@$(call need,command -v npm,nodejs npm)
	@$(BIN)/python tests/mutants/run.py $(if $(filter mutants-sample,$@),--sample 100 --minutes 4); status=$$?; \
		$(if $(filter mutants,$@),$(BIN)/python tests/mutants/run.py --write;) exit $$status

# Lines and branches of the core that tests/core reaches. What is left: `default` of carry_out() and of the switch in
# box_receive(), which no value gets to; and the second reading in counted(), for an interrupt between two readings.
coverage-core: .venv/test-ready
	@rm -rf build/core-tests
	@TALLYMARK_CORE_CFLAGS='-std=c11 -O0 -g -fPIC -shared --coverage' $(BIN)/python -m pytest -q tests/core
	@$(BIN)/gcovr --root . --filter firmware/core/ --txt - --txt-summary --fail-under-line 98 --fail-under-branch 95 build/core-tests
	@rm -rf build/core-tests

bench: .venv/test-ready firmware
	@$(call need,command -v npm,nodejs npm)
	@$(BIN)/python tests/bench/run.py build/bench.json

RECORDINGS := 2000

proof: .venv/test-ready
	@$(BIN)/python tests/recording/generator/run.py $(RECORDINGS) --document host/RECORDING-CHECK.md

build/fuzz: tests/fuzz/random_input.c $(FIRMWARE_C)
	@mkdir -p build
	$(CC) $(STRICT) $(SANITIZE) $(VIRTUAL) tests/fuzz/random_input.c -o $@

# libFuzzer comes with clang. An input that fails is left in build/; put it into tests/fuzz/crashes, where the tests find it.
build/guided: tests/fuzz/guided.c $(FIRMWARE_C)
	@mkdir -p build
	@$(call need,command -v clang && ls /usr/lib/llvm-*/lib/clang/*/lib/linux/libclang_rt.fuzzer-*.a,clang libclang-rt-dev)
	clang $(STRICT) $(SANITIZE) -fsanitize=fuzzer $(VIRTUAL) tests/fuzz/guided.c -o $@

# The package is installed in place; it is built again when the C that it compiles has changed.
.venv/ready: pyproject.toml setup.py host/tallymark/virtual/cffi_build.py $(FIRMWARE_C) $(KERNEL)/build.py $(KERNEL_C) \
		$(FIRST_BYTE)/build.py $(FIRST_BYTE_C)
	@$(call need,$(PYTHON_CAN_BUILD),python3-venv python3-dev)
	@test -x $(BIN)/python || python3 -m venv .venv
	@echo 'Installing the package into .venv'
	@$(BIN)/pip install --quiet --editable '.[page,picture,study]'
	@touch $@

.venv/test-ready: .venv/ready
	@$(call need,test -e /usr/include/libelf.h && command -v g++,libelf-dev g++)
	@echo 'Installing what the tests need into .venv'
	@$(BIN)/pip install --quiet --editable '.[page,picture,study,test]'
	@touch $@

clean:
	rm -rf build .venv host/*.egg-info host/tallymark/virtual/_virtual*.so $(KERNEL)/_kernel*.so $(FIRST_BYTE)/_first_byte*.so
