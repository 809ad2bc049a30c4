"""What a page may ask for: actions as plain data, checked before anything is done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

MOST_ITEMS = 200
LONGEST_ID = 400
LONGEST_TEXT = 200
LAST_SEQ = 2**53

Act = Literal["read", "skip", "remove", "reference", "weigh"]
Count = Annotated[int, Field(ge=0, le=LAST_SEQ)]
Id = Annotated[str, Field(max_length=LONGEST_ID)]


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
        reads a piece of known size, ``weigh`` a mass.
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
    act: Act
    coupon: str
    feature: str
    text: str
    keep: bool = False
    before: int = 0
    resent: bool = False


class _Item(BaseModel):
    """An action as the page sends it."""

    model_config = ConfigDict(strict=True)

    act: Act
    seq: Count = 0
    coupon: Id = ""
    feature: Id = ""
    text: str = ""
    keep: bool = False
    n: Count = 0
    resent: bool = False


class _Request(BaseModel):
    """The body of a request."""

    model_config = ConfigDict(strict=True)

    tab: Annotated[str, Field(pattern="^[0-9a-f]{24}$")]
    items: Annotated[list[_Item], Field(min_length=1, max_length=MOST_ITEMS)]


def parse_actions(body: bytes) -> tuple[str, list[Action]]:
    """Tab and actions of a request's body.

    Raises
    ------
    BadRequest
        With a sentence.
    """
    try:
        request = _Request.model_validate_json(body)
    except ValidationError as exc:
        problem = exc.errors(include_url=False, include_input=False, include_context=False)[0]
        place = ".".join(map(str, problem["loc"])) or "the request"
        raise BadRequest(f"{place}: {problem['msg']}") from exc
    return request.tab, [
        Action(
            seq=item.seq,
            act=item.act,
            coupon=item.coupon,
            feature=item.feature,
            text=item.text[:LONGEST_TEXT],
            keep=item.keep,
            before=item.n,
            resent=item.resent,
        )
        for item in request.items
    ]
