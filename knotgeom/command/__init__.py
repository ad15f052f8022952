"""The command line: ``knotgeom VERB FILE``.

Whatever goes wrong ends in one line on standard error and a status: 2 for a design or an option that cannot be, 130
when stopped by the user, 1 for a fault of the program itself. What a verb needs is imported when it runs, so that
refusals are quick.
"""

from __future__ import annotations

import signal
import warnings
from collections.abc import Sequence

from ..errors import DesignError
from .options import parser
from .talk import ended_by_signals, flush, forget_output, os_words, refuse

__all__ = ["CLOSED", "FAULT", "REFUSED", "STOPPED", "main"]

REFUSED, FAULT, STOPPED, CLOSED = 2, 1, 128 + signal.SIGINT, 141
"""Exit statuses; CLOSED is that of a program whose reader went away."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process where left out.
    """
    with warnings.catch_warnings(), ended_by_signals():
        warnings.simplefilter("ignore")  # a library's warning is not for the user of a command
        try:
            try:
                options = parser().parse_args(arguments)
                options.run(options)
            except SystemExit as ended:  # after --help and --version, and on a polite request to end
                status = ended.code
            else:
                status = 0
            flush()
        except DesignError as error:
            return refuse(str(error), REFUSED)
        except BrokenPipeError:
            forget_output()
            return CLOSED
        except OSError as error:
            forget_output()
            return refuse(os_words(error), REFUSED)
        except KeyboardInterrupt:
            return refuse("stopped", STOPPED)
        except MemoryError:
            return refuse("there is not enough memory for this design; give a smaller one", REFUSED)
        except Exception as error:  # the promise of one line holds for our own faults too
            words = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            return refuse(f"a fault of the program, not of the design ({words}); please report it", FAULT)
    return int(status or 0)
