# Builds the virtual box's Python extension in place, only what has changed: a mutant costs one compilation, not all.
# For mutants; the package itself is built by setup.py.

OBJECTS := build/virtual-objects
SOURCES := $(wildcard firmware/core/*.c firmware/boards/virtual/*.c)
HEADERS := $(wildcard firmware/boards/*.h firmware/core/*.h firmware/boards/virtual/*.h)
PYTHON := .venv/bin/python
INCLUDE := $(shell $(PYTHON) -c 'import sysconfig; print(sysconfig.get_path("include"))')
FLAGS := -std=c11 -O1 -fPIC -DPy_LIMITED_API=0x030A0000 -Ifirmware/core -Ifirmware/boards -Ifirmware/boards/virtual -I$(INCLUDE)
OBJECT = $(patsubst %.c,$(OBJECTS)/%.o,$(notdir $(SOURCES))) $(OBJECTS)/_virtual.o

vpath %.c firmware/core firmware/boards/virtual $(OBJECTS)

host/tallymark/virtual/_virtual.abi3.so: $(OBJECT)
	@$(CC) -shared $^ -o $@

$(OBJECTS)/_virtual.c: host/tallymark/virtual/cffi_build.py firmware/boards/usb_id.h firmware/boards/virtual/virtual.h
	@mkdir -p $(OBJECTS)
	@$(PYTHON) -c 'import runpy; runpy.run_path("$<")["ffi"].emit_c_code("$@")'

$(OBJECTS)/%.o: %.c $(HEADERS) | $(OBJECTS)/_virtual.c
	@$(CC) $(FLAGS) -c $< -o $@
