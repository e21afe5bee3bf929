# Make rules of the release; release/README.md says what they make.

RELEASE_PYTHON := build/release-tools/bin/python
RELEASE_ZIG := ZIG_GLOBAL_CACHE_DIR=$(HOME)/.cache/tallymark/zig

.PHONY: release

release: build/release-tools/ready firmware hardware-archives hardware-bill hardware-enclosure
	@$(call need,command -v npm,nodejs npm)
	@$(call need,command -v doxygen,--no-install-recommends doxygen)
	@$(RELEASE_ZIG) $(RELEASE_PYTHON) release/make_release.py dist

build/release-tools/ready: release/requirements.txt pyproject.toml
	@$(call need,$(PYTHON_CAN_BUILD),python3-venv python3-dev)
	@echo 'Installing what a release needs into build/release-tools'
	@python3 -m venv build/release-tools
	@build/release-tools/bin/pip install --quiet -r release/requirements.txt '.[picture,xdf]'
	@build/release-tools/bin/pip uninstall --quiet --yes tallymark
	@rm -rf build/lib build/bdist.*
	@touch $@
