"""One name for one thing: what each error and each setting is called on all faces, and the option of that name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from fitassay.coupons.errors import InputError
from fitassay.coupons.machine import FIGURES, Figure
from fitassay.coupons.wording import did_you_mean, shown

if TYPE_CHECKING:
    from fitassay.analysis.term import Term

# An option's name does without these.
_SMALL_WORDS = frozenset({"in", "of", "the", "and", "s"})

# What the name of a field leaves off: the unit is told in the help.
_UNIT_SUFFIX = {"mm": "_mm", "mm/s": "_mm_s", "g/cm3": "_g_cm3", "%": "_percent", "degree": "_deg"}


@dataclass(frozen=True, kw_only=True)
class Name:
    """What a thing is called.

    Attributes
    ----------
    shown : str
        In tables, sentences, on the sheet and in the report.
    field : str
        In JSON and machine.toml, for programs.
    option : str
        On the command line: the shown name's words.
    shorter : str
        An option that is taken as well, or ``""``.
    """

    shown: str
    field: str
    option: str
    shorter: str


def of_error(term: Term) -> Name:
    """The name of an error: ``path offset``, ``--path-offset``; the field's own name is taken too."""
    return _name(term.label, term.name, "--" + term.name.replace("_", "-"))


def of_figure(figure: Figure) -> Name:
    """The name of a figure of machine.toml; what is set goes by its noun, the rest by its field."""
    prefix = f"{figure.section}-" if figure.section in ("volume", "caliper", "scale") else ""
    field = figure.name.removesuffix(_UNIT_SUFFIX.get(figure.unit, ""))
    short = "--" + prefix + field.replace("_", "-")
    if figure.section != "settings":
        return Name(shown=figure.label, field=figure.key, option=short, shorter="")
    return _name(figure.noun, figure.key, short)


def _name(words: str, field: str, short: str) -> Name:
    kept = [word for word in re.findall(r"[a-z0-9]+", words.lower()) if word not in _SMALL_WORDS]
    option = "--" + "-".join(kept)
    return Name(shown=words, field=field, option=option, shorter=short if short != option else "")


SETTINGS: tuple[Name, ...] = tuple(of_figure(f) for f in FIGURES if f.section == "settings")


def error_names() -> tuple[Name, ...]:
    """The names of all errors, in the order of their table."""
    from fitassay.analysis.terms import TERMS  # loads numpy

    return tuple(of_error(term) for term in TERMS)


class NamedOption(click.Option):
    """An option whose help shows its first name alone."""

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """The first name and the help."""
        every, self.opts = self.opts, self.opts[:1]
        try:
            return super().get_help_record(ctx)
        finally:
            self.opts = every

    def get_error_hint(self, ctx: click.Context | None) -> str:
        """The first name."""
        return f"'{self.opts[0]}'"


def named_option(name: Name, parameter: str, **how: Any) -> Any:
    """An option by its shown name and by the shorter one."""
    words = [word for word in (name.option, name.shorter) if word]
    return click.option(*words, parameter, cls=NamedOption, **how)


def named(text: str, names: Iterable[Name], what: str, place: str, hint: str = "") -> str:
    """The field that `text` means: its shown name, its option without dashes, or the field itself.

    Raises
    ------
    InputError
        Nothing is called so.
    """
    known = tuple(names)
    typed = _key(text)
    for name in known:
        if typed in {_key(word) for word in (name.shown, name.field, name.option, name.shorter) if word}:
            return name.field
    near = did_you_mean(text, [name.shown for name in known])
    raise InputError(f"no {what} is called {shown(text)}{near or hint}", place)


def _key(text: str) -> str:
    return re.sub(r"[\s_.-]+", " ", text.casefold()).strip()
