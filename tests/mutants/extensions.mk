# Builds the package's Python extensions in place, the virtual box, the kernel of the recording check, and the bridge's
# shortest way to the box, only what has changed: a mutant costs one compilation, not all. For mutants and tests; the package itself is built by setup.py.

PYTHON := .venv/bin/python
INCLUDE := $(shell $(PYTHON) -c 'import sysconfig; print(sysconfig.get_path("include"))')
FLAGS := -std=c11 -fPIC -DPy_LIMITED_API=0x030A0000 -I$(INCLUDE)

VIRTUAL := host/tallymark/virtual/_virtual.abi3.so
VIRTUAL_OBJECTS := build/virtual-objects
VIRTUAL_C := $(wildcard firmware/core/*.c firmware/boards/virtual/*.c)
VIRTUAL_H := $(wildcard firmware/boards/*.h firmware/core/*.h firmware/boards/virtual/*.h)
VIRTUAL_FLAGS := -O1 -Ifirmware/core -Ifirmware/boards -Ifirmware/boards/virtual

KERNEL_FOLDER := host/tallymark/recording/kernel
KERNEL := $(KERNEL_FOLDER)/_kernel.abi3.so
KERNEL_OBJECTS := build/kernel-objects
KERNEL_C := $(wildcard $(KERNEL_FOLDER)/*.c)

FIRST_BYTE_FOLDER := host/tallymark/bridge/first_byte
FIRST_BYTE := $(FIRST_BYTE_FOLDER)/_first_byte.abi3.so
FIRST_BYTE_OBJECTS := build/first-byte-objects
FIRST_BYTE_C := $(FIRST_BYTE_FOLDER)/first_byte.c firmware/core/frame.c
FIRST_BYTE_H := $(FIRST_BYTE_FOLDER)/first_byte.h $(wildcard firmware/core/*.h) firmware/boards/virtual/board_config.h
FIRST_BYTE_FLAGS := -O2 -I$(FIRST_BYTE_FOLDER) -Ifirmware/core -Ifirmware/boards/virtual

objects = $(patsubst %.c,$(1)/%.o,$(notdir $(2)))
emit = mkdir -p $(@D) && $(PYTHON) -c 'import runpy; runpy.run_path("$<")["ffi"].emit_c_code("$@")' >/dev/null

vpath %.c firmware/core firmware/boards/virtual $(KERNEL_FOLDER) $(FIRST_BYTE_FOLDER)

all: $(VIRTUAL) $(KERNEL) $(FIRST_BYTE)

$(VIRTUAL): $(call objects,$(VIRTUAL_OBJECTS),$(VIRTUAL_C) _virtual.c)
	@$(CC) -shared $^ -o $@

$(VIRTUAL_OBJECTS)/_virtual.c: host/tallymark/virtual/cffi_build.py firmware/boards/usb_id.h firmware/boards/virtual/virtual.h
	@$(emit)

$(VIRTUAL_OBJECTS)/_virtual.o: $(VIRTUAL_OBJECTS)/_virtual.c $(VIRTUAL_H)
	@$(CC) $(FLAGS) $(VIRTUAL_FLAGS) -c $< -o $@

$(VIRTUAL_OBJECTS)/%.o: %.c $(VIRTUAL_H) | $(VIRTUAL_OBJECTS)/_virtual.c
	@$(CC) $(FLAGS) $(VIRTUAL_FLAGS) -c $< -o $@

$(KERNEL): $(call objects,$(KERNEL_OBJECTS),$(KERNEL_C) _kernel.c)
	@$(CC) -shared $^ -o $@

$(KERNEL_OBJECTS)/_kernel.c: $(KERNEL_FOLDER)/build.py $(KERNEL_FOLDER)/kernel.h
	@$(emit)

$(KERNEL_OBJECTS)/_kernel.o: $(KERNEL_OBJECTS)/_kernel.c $(wildcard $(KERNEL_FOLDER)/*.h)
	@$(CC) $(FLAGS) -O3 -I$(KERNEL_FOLDER) -c $< -o $@

$(KERNEL_OBJECTS)/%.o: %.c $(wildcard $(KERNEL_FOLDER)/*.h) | $(KERNEL_OBJECTS)/_kernel.c
	@$(CC) $(FLAGS) -O3 -I$(KERNEL_FOLDER) -c $< -o $@

$(FIRST_BYTE): $(call objects,$(FIRST_BYTE_OBJECTS),$(FIRST_BYTE_C) _first_byte.c)
	@$(CC) -shared $^ -o $@

$(FIRST_BYTE_OBJECTS)/_first_byte.c: $(FIRST_BYTE_FOLDER)/build.py $(FIRST_BYTE_FOLDER)/first_byte.h
	@$(emit)

$(FIRST_BYTE_OBJECTS)/_first_byte.o: $(FIRST_BYTE_OBJECTS)/_first_byte.c $(FIRST_BYTE_H)
	@$(CC) $(FLAGS) $(FIRST_BYTE_FLAGS) -c $< -o $@

$(FIRST_BYTE_OBJECTS)/%.o: %.c $(FIRST_BYTE_H) | $(FIRST_BYTE_OBJECTS)/_first_byte.c
	@$(CC) $(FLAGS) $(FIRST_BYTE_FLAGS) -c $< -o $@
