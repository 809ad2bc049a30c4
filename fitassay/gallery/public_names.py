"""The guide's page for people who script, made from the public names' own docstrings."""

from __future__ import annotations

import inspect
from typing import Any

import fitassay

PAGE = "guide/scripting.md"

_HEAD = """# For scripts and notebooks

Everything that the commands do can be called from Python: `import fitassay` is enough, each name is loaded when first
used. Lengths are mm and angles rad; positive means printed larger than drawn.

```python
{example}
```

Stable from one minor version to the next: the names on this page with the arguments and attributes told here, the
files of a case, and what the commands answer with `--json`. Modules below `fitassay.coupons` and `fitassay.analysis`
may move; what [CHANGELOG.md](../../CHANGELOG.md) does not announce does not change.

This page is made from the docstrings by `python -m fitassay.gallery`.
"""

EXAMPLE = """\
import fitassay

case = fitassay.Case.create("orrery", fitassay.Machine(name="orrery bench"))
first = case.make(quick=True)
first.simulate({"backlash_y": 0.24}, seed=1)
diagnosis = first.diagnose()
print(diagnosis.verdict.text)
arm = fitassay.Pair(peg=6.0, hole=6.2, turns=True)
(fit,) = first.predict(arm)
print(f"tightest clearance {fit.turns.mean:.2f} mm, binds with {fit.turns.p_negative:.0%}")
"""


def scripting_page() -> str:
    """The page: every public name with its signature and what its docstring says."""
    names = [n for n in fitassay.__all__ if not n.startswith("_")]
    # What a script begins with stands first, then all in order of the alphabet.
    names.sort(key=lambda n: (n not in ("Case", "Print"), n.casefold()))
    parts = [_HEAD.format(example=EXAMPLE.rstrip())]
    for name in names:
        value = getattr(fitassay, name)
        parts.append(_terms() if name == "TERMS" else _entry(name, value))
    return "\n".join(parts)


def _entry(name: str, value: Any) -> str:
    if not inspect.isclass(value):
        return _told(f"## {name}", f"{name}{_signature(value)}", value)
    methods: dict[str, Any] = {}
    for owner in value.__mro__:
        if owner.__module__.startswith("fitassay."):
            for key in vars(owner):
                if not key.startswith("_") and inspect.isroutine(method := getattr(value, key)):
                    methods.setdefault(key, method)
    parts = [_told(f"## {name}", "", value)]
    parts += [_told(f"### {name}.{k}", f"{k}{_signature(m)}", m) for k, m in sorted(methods.items())]
    return "\n".join(parts)


def _told(heading: str, signature: str, value: Any) -> str:
    """Heading, signature, first paragraph, and the rest of the docstring as it is."""
    first, _, rest = (inspect.getdoc(value) or "").partition("\n\n")
    parts = [heading, f"`{signature}`" if signature else "", " ".join(first.split()).replace("``", "`")]
    if rest.strip():
        parts.append(f"```text\n{rest.strip()}\n```")
    return "\n\n".join(p for p in parts if p) + "\n"


def _signature(function: Any) -> str:
    """Arguments with their defaults; types stand in the docstring."""
    signature = inspect.signature(function)
    bare = [p.replace(annotation=inspect.Parameter.empty) for p in signature.parameters.values()]
    bare = [p for p in bare if p.name not in ("self", "cls")]
    return str(signature.replace(parameters=bare, return_annotation=inspect.Signature.empty))


def _terms() -> str:
    from fitassay.analysis.terms import TERMS

    rows = [f"| `{t.name}` | {t.unit} | {t.label} | {t.kind} |" for t in TERMS]
    return "\n".join(
        (
            "## TERMS",
            "",
            "The table of error terms, in the order of every vector of terms. Unit 1 is a fraction.",
            "",
            "| name | unit | in words | whose |",
            "|---|---|---|---|",
            *rows,
            "",
        )
    )
