"""The page of `fitassay --help`, made without the library that reads commands: that alone takes three times as long
to load as Python does to start.
"""

from __future__ import annotations

# A command is one file in fitassay/commands, holding `command`, and one line here, by the stage of the job, the usual
# one of each first. The text stands here so that the list of commands loads none of them.
STAGES: dict[str, dict[str, str]] = {
    "Prepare": {
        "init": "Write down what the printer is and what is set on it now.",
        "make": "Coupons, plates, measuring sheet and blank readings.",
        "path": "Files to print without a slicing program.",
        "trace": "Where the path really stands, from the sliced file.",
    },
    "Read": {
        "enter": "Take readings, feature by feature, at the terminal.",
        "bench": "Take readings on a page in the browser.",
        "next": "What to print or measure next, and when to stop.",
    },
    "Judge": {
        "diagnose": "What spoils the fit, how sure, and what to change.",
        "compare": "Two prints: what changed, and was it the advice.",
    },
    "Change": {
        "apply": "Write the advice into the settings and make its proof print.",
        "plan": "The advice step by step, and when to stop.",
    },
    "Use": {
        "predict": "How pegs and holes will fit.",
        "correct": "Pre-compensate a part of your own.",
    },
    "Try without a printer": {
        "demo": "The whole job on a made-up printer, up to its report.",
        "simulate": "Readings from a virtual print with given errors.",
    },
}
SHORT_HELP: dict[str, str] = {name: text for stage in STAGES.values() for name, text in stage.items()}

USAGE = "Usage: fitassay [OPTIONS] [COMMAND] [ARGS]..."
HELP_WORDS = ("-h", "--help")
VERSION_HELP = "Show the version."
OPTIONS = {"--version": VERSION_HELP, ", ".join(HELP_WORDS): "Show this message and exit."}
PURPOSE = (
    "Find out which error of a 3D printer spoils the fit of its parts.",
    "Print test coupons, read them with a caliper, and be told which error dominates, how sure that is, and which "
    "setting to change to what.",
)
BEGIN = "A case is the folder of one printer. Begin with 'fitassay demo', or with 'fitassay init CASE'."
INDENT = "  "


def front_page(columns: int) -> str:
    """What the program is for and its commands by the stage of the job, no line wider than `columns`."""
    paragraphs = [USAGE, *(_filled(text, columns, INDENT) for text in PURPOSE)]
    for head, rows in {"Options": OPTIONS, **STAGES}.items():
        wide = max(map(len, rows)) + len(INDENT)
        lines = (
            _filled(text, columns, " " * (wide + len(INDENT)), INDENT + name.ljust(wide))
            for name, text in rows.items()
        )
        paragraphs.append("\n".join((f"{head}:", *lines)))
    return "\n\n".join((*paragraphs, _filled(BEGIN, columns, INDENT))) + "\n"


def _filled(text: str, columns: int, indent: str, first: str | None = None) -> str:
    """`text` broken at blanks, each line behind `indent`, the first behind `first`; longer words stay whole.

    The standard library's own brings regular expressions along, half of what Python takes to start.
    """
    lines = [indent if first is None else first]
    fresh = True
    for word in text.split():
        if not fresh and len(lines[-1]) + 1 + len(word) > columns:
            lines.append(indent)
            fresh = True
        lines[-1] += word if fresh else " " + word
        fresh = False
    return "\n".join(lines)
