"""`python -m tallymark`: the command line, where the folder of commands is on no path."""

from tallymark.cli import main

main(prog_name="tallymark")
