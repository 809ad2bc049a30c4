"""fitassay bench: the page in the browser on which readings are taken."""

from __future__ import annotations

import click

from fitassay.options import Whole, carry_option, case_argument, json_option, print_option


@click.command()
@case_argument
@print_option
@click.option(
    "--port",
    metavar="PORT",
    type=Whole(1, 65535),
    help="Port on this machine; the case's usual one unless given.",
)
@click.option(
    "--open/--no-open",
    "open_browser",
    default=None,
    help="Open the page in the browser; done at a terminal unless told otherwise.",
)
@click.option(
    "--phone",
    is_flag=True,
    help="Show the page to a phone in the home network too; without encryption, until it lies idle for half an hour.",
)
@click.option("--address", metavar="IP", help="This machine's address in that network; found unless given.")
@carry_option
@json_option
def command(
    case: str,
    number: str | None,
    port: int | None,
    open_browser: bool | None,
    phone: bool,
    address: str | None,
    carry: str | None,
    as_json: bool,
) -> None:
    """Take the readings of CASE on a page in the browser.

    The page shows where the jaws go, takes what a caliper types, keeps every reading on the disk at once and
    says how the verdict forms. It is served to this machine only, until Ctrl-C, unless --phone asks for more.
    Closing the page loses nothing; run the command again to go on.
    """
    import sys

    from fitassay import terminal
    from fitassay.case import Case

    shown_at = _network_address(phone, address)
    with terminal.working("getting ready"):
        from fitassay.bench.server import serve
        from fitassay.bench.session import Bench

        place = Case.open(case).print(number)
        bench = Bench(place, carry)
    if open_browser is None:
        open_browser = sys.stdout.isatty() and not phone

    def ready(address: str, for_phone: str) -> None:
        if as_json:
            urls = {"url": address, **({"phone_url": for_phone} if for_phone else {})}
            terminal.answer({**urls, "readings": str(place.readings_path)})
        else:
            click.echo(f"The bench of {terminal.clean(bench.name)}, print {place.name}, is at\n  {address}")
            if for_phone:
                _show_phone(for_phone)
            terminal.note("It stays while this window stays. Ctrl-C ends it; every reading is on the disk.")
        sys.stdout.flush()
        if open_browser:
            import webbrowser

            webbrowser.open(address)

    def again(address: str) -> None:
        # Each address opens the page once, so that one left in a history or on a command line opens nothing.
        if not as_json:
            where = "phone of this network" if phone else "browser of this machine"
            terminal.note(f"The page is open. For another {where}, once:\n  {address}")

    try:
        serve(bench, port=port, ready=ready, again=again, phone=shown_at)
        if phone:
            terminal.note(
                "No reading came for half an hour, so the page left the network. Readings: "
                f"{terminal.clean(str(place.readings_path))}"
            )
    except KeyboardInterrupt:
        terminal.note(f"Bench closed. Readings: {terminal.clean(str(place.readings_path))}")


def _network_address(phone: bool, address: str | None) -> str | None:
    """Where in the home network the page is shown; None: nowhere."""
    from fitassay.coupons.errors import InputError

    if not phone:
        if address is not None:
            raise InputError("is where a phone finds the page; add --phone", "--address")
        return None
    from fitassay.bench.network import check_address, own_address

    return check_address(address) if address is not None else own_address()


def _show_phone(address: str) -> None:
    """The phone's address, as a picture for its camera and in words, and what others could see."""
    from fitassay import terminal
    from fitassay.bench.network import picture_of

    click.echo(f"For a phone in the same network, once:\n  {address}")
    click.echo(picture_of(address))
    terminal.note(
        "Others in this network could see what goes over it: the connection is not encrypted (no TLS). Use it at "
        "home only. Who holds this address can read and add readings of this case and nothing else. The page leaves "
        "the network when no reading came for half an hour."
    )
