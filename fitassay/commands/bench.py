"""fitassay bench: the page in the browser on which readings are taken."""

from __future__ import annotations

import click

from fitassay.options import carry_option, case_argument, json_option, print_option


@click.command()
@case_argument
@print_option
@click.option(
    "--port",
    metavar="PORT",
    type=click.IntRange(1, 65535),
    help="Port on this machine; the case's usual one unless given.",
)
@click.option(
    "--open/--no-open",
    "open_browser",
    default=None,
    help="Open the page in the browser; done at a terminal unless told otherwise.",
)
@carry_option
@json_option
def command(
    case: str,
    number: str | None,
    port: int | None,
    open_browser: bool | None,
    carry: str | None,
    as_json: bool,
) -> None:
    """Take the readings of CASE on a page in the browser.

    The page shows where the jaws go, takes what a caliper types, keeps every reading on the disk at once and
    says how the verdict forms. It is served to this machine only, until Ctrl-C. Closing the page loses
    nothing; run the command again to go on.
    """
    import sys

    from fitassay import terminal
    from fitassay.case import Case

    with terminal.working("getting ready"):
        from fitassay.bench.server import serve
        from fitassay.bench.session import Bench

        place = Case.open(case).print(number)
        bench = Bench(place, carry)
    if open_browser is None:
        open_browser = sys.stdout.isatty()

    def ready(address: str) -> None:
        if as_json:
            terminal.answer({"url": address, "readings": str(place.readings_path)})
        else:
            click.echo(f"The bench of {terminal.clean(bench.name)}, print {place.name}, is at\n  {address}")
            terminal.note("It stays while this window stays. Ctrl-C ends it; every reading is on the disk.")
        sys.stdout.flush()
        if open_browser:
            import webbrowser

            webbrowser.open(address)

    def again(address: str) -> None:
        # Each address opens the page once, so that one left in a history or on a command line opens nothing.
        if not as_json:
            terminal.note(f"The page is open. For another browser of this machine, once:\n  {address}")

    try:
        serve(bench, port=port, ready=ready, again=again)
    except KeyboardInterrupt:
        terminal.note(f"Bench closed. Readings: {terminal.clean(str(place.readings_path))}")
