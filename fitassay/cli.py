"""The command line: finds the command, and turns errors into one line and an exit code.

Exit codes: 0 good; 1 the job could not be done; 2 bad usage, bad input, a place that cannot be written, or
stopped with Ctrl-C.
"""

from __future__ import annotations

import importlib
import io
import os
import re
import sys
from typing import Any

import click

from fitassay import __version__, commands
from fitassay.columns import width
from fitassay.coupons.errors import FitassayError
from fitassay.coupons.wording import did_you_mean, shown
from fitassay.front_page import HELP_WORDS, PURPOSE, SHORT_HELP, VERSION_HELP, front_page
from fitassay.terminal import STOPPED


class Commands(click.Group):
    """The group of commands, each loaded when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        there = set(os.listdir(commands.__path__[0]))
        return [name for name in SHORT_HELP if f"{name}.py" in there]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        return importlib.import_module(f"fitassay.commands.{cmd_name}").command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            near = did_you_mean(args[0], self.list_commands(ctx))
            raise click.UsageError(f"there is no command {shown(args[0])}{near}", ctx)
        return super().resolve_command(ctx, args)

    def get_help(self, ctx: click.Context) -> str:
        return front_page(ctx.terminal_width or width()).rstrip("\n")

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        from click.shell_completion import CompletionItem

        names = [n for n in self.list_commands(ctx) if n.startswith(incomplete)]
        return [CompletionItem(n, help=SHORT_HELP[n]) for n in names]

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run, and leave with an exit code; errors that a user can cause are one sentence each."""
        _replace_closed_streams()
        for stream in (sys.stdout, sys.stderr):
            # A terminal that knows no "±" shows a stand-in instead of ending the job.
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")
        if isinstance(sys.stdin, io.TextIOWrapper):
            # What is no text is for whoever asked to refuse, line by line.
            sys.stdin.reconfigure(errors="surrogateescape")
        kwargs["standalone_mode"] = False
        kwargs["terminal_width"] = width()
        sys.exit(_run(super().main, *args, **kwargs))


def _replace_closed_streams() -> None:
    """A stream that whoever started us has closed reads as ended and swallows what is written."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))


def _run(run: Any, *args: Any, **kwargs: Any) -> int:
    """Exit code of a run, its errors told on standard error."""
    try:
        code = run(*args, **kwargs)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except FitassayError as exc:
        return _fail(str(exc), exc.exit_code)
    except click.exceptions.NoArgsIsHelpError as exc:
        click.echo(exc.format_message())
        return 2
    except click.UsageError as exc:
        return _fail(_usage_sentence(exc), 2)
    except click.ClickException as exc:
        return _fail(exc.format_message(), exc.exit_code)
    except click.Abort as exc:
        return _aborted(exc)
    except BrokenPipeError:
        # Whoever read our output has gone; Python would complain once more when it flushes at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return 1
    except MemoryError:
        return _fail("this needs more memory than there is; close other programs, or give it less at once", 1)
    except OSError as exc:
        return _system_error(exc)


def _aborted(exc: click.Abort) -> int:
    """What click makes of Ctrl-C and of an input that ended."""
    if isinstance(exc.__cause__, EOFError):
        return _fail("the input ended before the job was done", 1)
    return _fail("stopped", STOPPED)


def _system_error(exc: OSError) -> int:
    if not exc.filename:
        return _fail(str(exc.strerror or exc), 1)
    from fitassay.coupons.files import remedy

    # A name that was given.
    return _fail(f"{_short(exc.filename)}: cannot be used ({exc.strerror or exc}); {remedy(exc)}", 2)


def _short(path: Any, longest: int = 200) -> str:
    """A path as it can be shown: of an endless one, its ends."""
    text = os.fsdecode(path) if isinstance(path, (str, bytes)) else str(path)
    return text if len(text) <= longest else f"{text[: longest // 2]}…{text[-longest // 2 :]}"


def _usage_sentence(exc: click.UsageError) -> str:
    """What was wrong with the words of the command, in one sentence, with the nearest right one."""
    ctx = exc.ctx
    path = ctx.command_path if ctx else "fitassay"
    hint = f"; '{path} --help' tells more"
    if isinstance(exc, click.NoSuchOption):
        known = [o for p in ctx.command.params for o in p.opts] if ctx else []
        return f"{path} has no option {shown(exc.option_name)}" + (
            did_you_mean(exc.option_name, known) or hint
        )
    text = exc.format_message().rstrip(".").removeprefix("Invalid value for ")
    # click shows what was typed in Python's own way, however long.
    text = re.sub(r"\\udc[0-9a-f]{2}", "\N{REPLACEMENT CHARACTER}", text)
    text = re.sub(r"'([^']{60,})'", lambda match: shown(match[1]), text)
    text = re.sub("valid integer( range)?", "whole number", text)
    return text[:1].lower() + text[1:] + ("" if text.endswith("?") else hint)


def _fail(text: str, code: int) -> int:
    plain = "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)
    for line in plain.split("\n"):
        click.echo(f"fitassay: {line}", err=True)
    return code


def _version(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        click.echo(f"fitassay {__version__}")
        ctx.exit()


@click.group(
    cls=Commands,
    context_settings={"help_option_names": list(HELP_WORDS)},
    invoke_without_command=True,
    help="\n\n".join(PURPOSE),
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help=VERSION_HELP
)
@click.pass_context
def cli(ctx: click.Context) -> None:
    """No command: where the case here stands, or what there is."""
    if ctx.invoked_subcommand is not None:
        return
    if os.path.exists("machine.toml"):
        from fitassay.standing import show_standing

        show_standing(".")
        return
    click.echo(ctx.get_help())
    ctx.exit(2)


def main() -> None:
    """Entry point of the installed command."""
    cli.main(prog_name="fitassay")
