"""Builds one image with a bare compiler. All that differs between chips stands in boards/*.json."""

from pathlib import Path

from SCons.Script import COMMAND_LINE_TARGETS, AlwaysBuild, Builder, Default, DefaultEnvironment

env = DefaultEnvironment()
board = env.BoardConfig()
prefix = board.get("build.tool_prefix")
machine = board.get("build.machine_flags")
image = board.get("build.image")
c_flags = board.get("build.c_flags")

env.Replace(
    AR=prefix + "gcc-ar",
    AS=prefix + "gcc",
    CC=prefix + "gcc",
    LINK=prefix + "gcc",
    OBJCOPY=prefix + "objcopy",
    RANLIB=prefix + "gcc-ranlib",
    SIZETOOL=prefix + "size",
    ARFLAGS=["rc"],
    PLATFORM_TOOLS=str(Path(env.PioPlatform().get_dir()) / "tools"),
    PROGNAME="firmware",
    PROGSUFFIX=".elf",
    SIZEPROGREGEXP=r"^(?:\.text|\.data|\.rodata|\.bootloader|\.boot2)\s+(\d+).*",
    SIZEDATAREGEXP=r"^(?:\.data|\.bss|\.noinit)\s+(\d+).*",
    SIZECHECKCMD="$SIZETOOL -A -d $SOURCES",
    SIZEPRINTCMD="$SIZETOOL -B -d $SOURCES",
)
env.Append(
    CFLAGS=["-std=gnu11"],
    CCFLAGS=[*machine, "-g", "-flto", "-ffunction-sections", "-fdata-sections", *c_flags],
    ASFLAGS=[*machine, "-x", "assembler-with-cpp"],
    CPPDEFINES=[("F_CPU", "$BOARD_F_CPU")],
    LINKFLAGS=[*machine, "-g", "-flto", *c_flags, *board.get("build.link_flags")],
    BUILDERS={
        "ToHex": Builder(
            action=env.VerboseAction(
                "$OBJCOPY -O ihex -R .eeprom $SOURCES $TARGET", "Writing $TARGET"
            ),
            suffix=".hex",
        ),
        "ToUf2": Builder(
            action=env.VerboseAction(
                '"$PYTHONEXE" "$PLATFORM_TOOLS/uf2.py" $SOURCES $TARGET', "Writing $TARGET"
            ),
            suffix=".uf2",
        ),
    },
)

elf = env.BuildProgram()
images = {
    "hex": lambda: env.ToHex("$BUILD_DIR/firmware", elf),
    "uf2": lambda: env.ToUf2("$BUILD_DIR/firmware", elf),
}
target = images[image]()

size = env.AddPlatformTarget(
    "size", elf, env.VerboseAction("$SIZEPRINTCMD", "Sizes of $SOURCE"), "Sizes"
)

if "upload" in COMMAND_LINE_TARGETS:
    env.AutodetectUploadPort()
upload = env.AddPlatformTarget(
    "upload", target, env.VerboseAction(board.get("upload.command"), "Flashing $SOURCE"), "Upload"
)
AlwaysBuild(size, upload)

env.AddPlatformTarget("buildprog", [elf, target], None, "Build")
Default([elf, target])
