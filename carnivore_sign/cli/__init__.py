"""Command line: thin; reads the words, calls the public face, prints.

Takes the words of the shell: ``demo``, ``intake``, ``set-aside``, ``columns``, ``guide``,
``flags``, ``trace``, ``practice``, ``field-kit``, ``month``, ``answer``, ``export``, ``check``,
``programme`` and their options. Gives results on standard output (as JSON with ``--json``), and
bars and messages on standard error; bad input ends with one plain message and exit status 2, an
interruption with 130. Does not compute anything.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence

from carnivore_sign.cli.running import BAD_INPUT, DONE
from carnivore_sign.cli.telling import refuse, tell, tell_warning
from carnivore_sign.cli.words import Command, make_parser
from carnivore_sign.errors import CarnivoreSignError, CarnivoreSignWarning

INTERRUPTED = 130


def main(words: Sequence[str] | None = None) -> int:
    """Run the command that `words` (by default those of the shell) name.

    Returns
    -------
    int
        Exit status: 0 done, 2 bad input, 130 interrupted.
    """
    arguments = make_parser().parse_args(words)
    command: Command = arguments.command
    with warnings.catch_warnings():
        warnings.simplefilter("always", CarnivoreSignWarning)
        warnings.showwarning = tell_warning
        try:
            return command(arguments)
        except CarnivoreSignError as error:
            refuse(str(error), as_json=arguments.json)
        except BrokenPipeError:
            # Whoever read the output has gone (| head); nobody is left to tell.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return DONE
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            told = f"{where}{error.strerror}. Check path, rights and room on the disk."
            refuse(told, as_json=arguments.json)
        except KeyboardInterrupt:
            tell("carnivore-sign: interrupted. What was finished is kept; run it again.")
            return INTERRUPTED
    return BAD_INPUT
