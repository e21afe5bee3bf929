# Builds the firmware images with PlatformIO and prints their sizes. Works from the top of the repository, alone or included:
#
#   make -f firmware/firmware.mk firmware
#
# PlatformIO and SCons come from PyPI into build/firmware-tools. The compilers are the system's; on Debian they are installed
# with apt-get where they are missing and the user may do so, elsewhere PlatformIO fetches its own.

# Where `tallymark flash` finds them, and from where they go into wheels.
FIRMWARE_IMAGES = host/tallymark/box/flash/images
FIRMWARE_TOOLS ?= $(CURDIR)/build/firmware-tools
FIRMWARE_PYTHON ?= $(FIRMWARE_TOOLS)/bin/python
FIRMWARE_CORE = $(CURDIR)/build/platformio
FIRMWARE_DEBIAN = gcc-avr avr-libc binutils-avr gcc-arm-none-eabi libnewlib-arm-none-eabi
FIRMWARE_ENVIRONMENT = PLATFORMIO_CORE_DIR=$(FIRMWARE_CORE) PLATFORMIO_SETTING_ENABLE_TELEMETRY=no

.PHONY: firmware firmware-stack firmware-tools firmware-compilers

firmware: firmware-tools firmware-compilers
	$(FIRMWARE_ENVIRONMENT) $(FIRMWARE_PYTHON) -m platformio run --silent -d firmware
	@$(FIRMWARE_PYTHON) firmware/platform/tools/sizes.py build/firmware
	@mkdir -p $(FIRMWARE_IMAGES)
	@cp build/firmware/pico/firmware.uf2 $(FIRMWARE_IMAGES)/pico.uf2
	@cp build/firmware/nano/firmware.hex $(FIRMWARE_IMAGES)/nano.hex

# Needs what the tests need (make test installs it): the image runs in a chip simulator.
FIRMWARE_TEST_PYTHON ?= .venv/bin/python
firmware-stack: firmware
	@$(FIRMWARE_TEST_PYTHON) tests/nano/test_memory.py

firmware-tools: $(FIRMWARE_PYTHON)
	@$(FIRMWARE_ENVIRONMENT) $(FIRMWARE_PYTHON) firmware/platform/tools/offline_scons.py

$(FIRMWARE_TOOLS)/bin/python:
	@echo "Installing PlatformIO and SCons into $(FIRMWARE_TOOLS)"
	@python3 -m venv $(FIRMWARE_TOOLS)
	@$(FIRMWARE_TOOLS)/bin/pip install --quiet 'platformio>=6.1' scons pyelftools

firmware-compilers:
	@if command -v avr-gcc >/dev/null && command -v arm-none-eabi-gcc >/dev/null; then :; \
	elif command -v apt-get >/dev/null && [ "$$(id -u)" = 0 ]; then \
		echo "Installing $(FIRMWARE_DEBIAN)"; \
		DEBIAN_FRONTEND=noninteractive apt-get install -qq -y -o DPkg::Lock::Timeout=600 $(FIRMWARE_DEBIAN) >/dev/null; \
	else \
		echo "No avr-gcc or arm-none-eabi-gcc here; PlatformIO will fetch the compilers, or install: $(FIRMWARE_DEBIAN)"; \
	fi
