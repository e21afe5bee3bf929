# Builds the recording check's Python extension in place, only what has changed, as virtual.mk does it for the virtual box.
# For mutants; the package itself is built by setup.py.

KERNEL := host/tallymark/recording/kernel
OBJECTS := build/kernel-objects
PYTHON := .venv/bin/python
INCLUDE := $(shell $(PYTHON) -c 'import sysconfig; print(sysconfig.get_path("include"))')
FLAGS := -std=c11 -O3 -fPIC -DPy_LIMITED_API=0x030A0000 -I$(KERNEL) -I$(INCLUDE)
OBJECT := $(patsubst $(KERNEL)/%.c,$(OBJECTS)/%.o,$(wildcard $(KERNEL)/*.c)) $(OBJECTS)/_kernel.o

vpath %.c $(KERNEL) $(OBJECTS)

$(KERNEL)/_kernel.abi3.so: $(OBJECT)
	@$(CC) -shared $^ -o $@

$(OBJECTS)/_kernel.c: $(KERNEL)/build.py $(KERNEL)/kernel.h
	@mkdir -p $(OBJECTS)
	@$(PYTHON) -c 'import runpy; runpy.run_path("$<")["ffi"].emit_c_code("$@")'

$(OBJECTS)/%.o: %.c $(wildcard $(KERNEL)/*.h) | $(OBJECTS)/_kernel.c
	@$(CC) $(FLAGS) -c $< -o $@
