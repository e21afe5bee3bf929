"""The PlatformIO platform of this project: which packages a board's build needs."""

import shutil

from platformio.platform.base import PlatformBase

# A package is fetched by PlatformIO only where the machine doesn't have the program itself.
PROGRAM_OF_PACKAGE = {
    "toolchain-atmelavr": "avr-gcc",
    "toolchain-gccarmnoneeabi": "arm-none-eabi-gcc",
    "tool-avrdude": "avrdude",
}


class TallymarkPlatform(PlatformBase):
    def configure_default_packages(self, variables, targets):
        super().configure_default_packages(variables, targets)
        toolchain = self.board_config(variables["board"]).get("build.toolchain_package")
        for name, options in self.packages.items():
            needed = name == toolchain or ("upload" in targets and options["type"] == "uploader")
            program = PROGRAM_OF_PACKAGE.get(name)
            options["optional"] = not needed or (program and shutil.which(program) is not None)
