# Make rules of the tests in Wine; README.md beside this file says what is tested.

.PHONY: windows windows-pythons

# Wine runs programs for the processor of its own computer, and the wheel is for x86-64.
WINDOWS := $(if $(filter x86_64,$(shell uname -m)),build/windows/ready)

windows: $(WINDOWS) .venv/test-ready
	@test -n '$(WINDOWS)' || { echo 'The wheel for Windows runs on x86-64 only.'; exit 1; }
	$(BIN)/python -m pytest tests/windows

# All Pythons for Windows that can be had, some minutes more.
windows-pythons: $(WINDOWS) .venv/test-ready
	@$(BIN)/python tests/windows/install.py build/windows build/windows/dist/*win_amd64.whl $(RELEASE_PYTHON) 3.10 3.11 3.13
	$(BIN)/python -m pytest tests/windows/test_pythons_in_wine.py

build/windows/ready: build/release-tools/ready .venv/ready $(wildcard tests/windows/*.py tests/windows/shims/*) \
		$(shell find host/tallymark -name '*.py') $(FIRMWARE_C) $(KERNEL_C) \
		$(wildcard host/c/*.[ch]) | firmware
	@$(call need,command -v wine && command -v wineserver,--no-install-recommends wine wine64)
	@$(call need,command -v x86_64-w64-mingw32-gcc,--no-install-recommends gcc-mingw-w64-x86-64)
	@$(call need,command -v npm,nodejs npm)
	@echo 'Installing the wheel for Windows in Wine'
	@$(RELEASE_ZIG) $(RELEASE_PYTHON) release/make_release.py build/windows/dist --only-wheels --platforms windows-x64 >build/windows.log
	@$(BIN)/python tests/windows/install.py build/windows build/windows/dist/*win_amd64.whl $(RELEASE_PYTHON)
	@touch $@
