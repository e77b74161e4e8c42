"""The command ``qca``: a table of commands whose modules are imported only when one of them runs."""

from __future__ import annotations

import errno
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from qca import CAUTION, __version__
from qca.errors import QcaError

COMMANDS: dict[str, str] = {
    "measure": "Measure a bifurcation or one segment on one frame.",
    "plan": "Apply the sizing rules to a reading.",
    "compare": "Compare readings before, after and later.",
    "demo": "Measure the shipped sample and say where the results are.",
    "phantom": "Write synthetic frames with their truth.",
    "validate": "Measure phantoms and print bias, SD and coverage.",
    "view": "Open the desk.",
    "list": "Make and follow reading lists under opaque codes.",
    "batch": "Measure all frames of a list.",
    "ledger": "Show and check the record of readings.",
    "agree": "Reader statistics from the record or a table.",
}
"""Name to one line; the module ``ui.cli.<name>`` exposes a command of that name."""

STOPPED = 130
"""Exit code after Ctrl-C, as shells count it: 1 would say that the input cannot be measured."""

_EXTRA_OF = {
    "alembic": "batch",
    "dask": "batch",
    "distributed": "batch",
    "napari": "desk",
    "psycopg": "batch",
    "pyarrow": "batch",
    "pyqtgraph": "desk",
    "PySide6": "desk",
    "qtpy": "desk",
    "sqlalchemy": "batch",
}
"""Package to the extra that installs it."""


_FULL = {errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)}
"""What a file that standard output is sent to may answer."""


class CannotMeasureError(click.ClickException):
    """Exit code 1 with one sentence on standard error."""

    exit_code = 1

    def show(self, file: Any = None) -> None:  # noqa: ANN401 - click's signature
        """Print the sentence."""
        click.echo(f"qca: {self.format_message()}", err=True, file=file)


class Commands(click.Group):
    """A group that knows its commands by name and imports one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names in the order of the table, as far as their modules are here."""
        return [name for name in COMMANDS if _module_file(name).exists()]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the module of one command."""
        if cmd_name not in COMMANDS or not _module_file(cmd_name).exists():
            return None
        module = import_module(f"ui.cli.{cmd_name}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401
        """Turn what the user can mend into one sentence and exit code 1; let everything else through."""
        try:
            return super().invoke(ctx)
        except QcaError as error:
            raise CannotMeasureError(_sentence(error)) from error
        except ModuleNotFoundError as error:
            package = (error.name or "").partition(".")[0]
            if package not in _EXTRA_OF:
                raise
            msg = (
                f"This needs the package {package}, which is not installed: "
                f"run  python -m pip install -e '.[{_EXTRA_OF[package]}]'  in the folder of qca."
            )
            raise CannotMeasureError(msg) from error
        except KeyboardInterrupt:
            # Files appear whole or not at all, so there is nothing to clear away.
            click.echo("qca: stopped before it was done: the same line does it again.", err=True)
            ctx.exit(STOPPED)


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog=CAUTION,
)
@click.version_option(__version__, prog_name="qca")
def cli() -> None:
    """Diameters of a coronary bifurcation from one angiogram frame, each with its uncertainty."""


def main() -> None:
    """Entry point of the installed command."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a terminal without our signs shows a question mark, not a traceback
    try:
        try:
            cli(prog_name="qca")
        finally:
            flush = getattr(sys.stdout, "flush", None)  # there is no standard output where it was closed
            if flush is not None:
                flush()
    except OSError as error:
        if error.filename is not None or error.errno not in _FULL:
            raise
        # a redirection to a full disk; what is left in the buffer would fail again at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        click.echo(f"qca: The output cannot be written ({error.strerror}): send it to another place.", err=True)
        sys.exit(1)


def _module_file(name: str) -> Path:
    return Path(__file__).with_name(f"{name}.py")


def _sentence(error: QcaError) -> str:
    """Put the place in front of the message, where the message does not name it."""
    message = str(error)
    place = []
    if error.file and error.file not in message:
        place.append(error.file)
    if error.frame is not None and "frame" not in message:
        place.append(f"frame {error.frame}")
    if error.limb and error.limb not in message:
        place.append(f"{error.limb} limb")
    sentence = f"{', '.join(place)}: {message}" if place else message
    return sentence if sentence.endswith((".", "?", "!")) else sentence + "."
