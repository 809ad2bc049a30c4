"""What a page may ask for: actions as plain data, checked before anything is done."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any

ACTS = ("read", "skip", "remove", "reference")
_TAB = re.compile(r"[0-9a-f]{24}", re.ASCII)
MOST_ITEMS = 200
LONGEST_ID = 400
LONGEST_TEXT = 200
LAST_SEQ = 2**53


class BadRequest(ValueError):
    """The request is not one that the page makes."""


@dataclass(frozen=True, kw_only=True)
class Action:
    """One thing to do, at most once per tab and number.

    Attributes
    ----------
    seq : int
        Number of the action within its tab; counts up.
    act : str
        ``read`` takes a reading, ``skip`` passes a feature over, ``remove`` takes a reading away, ``reference``
        reads a piece of known size.
    coupon, feature : str
    text : str
        What was typed.
    keep : bool
        Keep it although it looks wrong.
    before : int
        How many readings of the feature the page knew of.
    resent : bool
        The page does not know whether an earlier sending arrived.
    """

    seq: int
    act: str
    coupon: str
    feature: str
    text: str
    keep: bool = False
    before: int = 0
    resent: bool = False


def parse_actions(body: bytes) -> tuple[str, list[Action]]:
    """Tab and actions of a request's body.

    Raises
    ------
    BadRequest
        With a sentence.
    """
    try:
        data = json.loads(body.decode("utf-8"))
    except (ValueError, RecursionError) as exc:
        raise BadRequest("the request is not JSON") from exc
    if not isinstance(data, dict):
        raise BadRequest("the request is not an object")
    tab, items = data.get("tab"), data.get("items")
    if not isinstance(tab, str) or not _TAB.fullmatch(tab):
        raise BadRequest("tab is not a page's name")
    if not isinstance(items, list) or not 0 < len(items) <= MOST_ITEMS:
        raise BadRequest(f"items must be a list of 1 to {MOST_ITEMS}")
    return tab, [_action(item) for item in items]


def _action(item: Any) -> Action:
    if not isinstance(item, dict):
        raise BadRequest("an item is not an object")
    act = item.get("act")
    if act not in ACTS:
        raise BadRequest(f"act must be one of {', '.join(ACTS)}")
    return Action(
        seq=_whole(item, "seq"),
        act=act,
        coupon=_text(item, "coupon", LONGEST_ID),
        feature=_text(item, "feature", LONGEST_ID),
        text=_text(item, "text", None)[:LONGEST_TEXT],
        keep=_flag(item, "keep"),
        before=_whole(item, "n"),
        resent=_flag(item, "resent"),
    )


def _whole(item: dict[str, Any], name: str) -> int:
    value = item.get(name, 0)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= LAST_SEQ:
        raise BadRequest(f"{name} must be a whole number")
    return value


def _text(item: dict[str, Any], name: str, longest: int | None) -> str:
    value = item.get(name, "")
    if not isinstance(value, str) or (longest is not None and len(value) > longest):
        raise BadRequest(f"{name} must be a text of at most {longest} characters")
    try:
        value.encode("utf-8")
    except UnicodeEncodeError as exc:  # half of a surrogate pair
        raise BadRequest(f"{name} is not proper Unicode") from exc
    return value


def _flag(item: dict[str, Any], name: str) -> bool:
    value = item.get(name, False)
    if not isinstance(value, bool):
        raise BadRequest(f"{name} must be true or false")
    return value
