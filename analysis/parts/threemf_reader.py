"""3MF read as a stream: bodies at their places, counted against limits before anything is built.

Core specification 1.4.0 (3MF Consortium): model parts, units, objects with meshes or components, build items,
row-major transforms for row vectors. Objects in further model parts (the ``path`` attribute of the production
extension) are followed. Everything else in a package is passed over.
"""

from __future__ import annotations

import posixpath
import zipfile
import zlib
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

import numpy as np

from fitassay.coupons.errors import InputError
from fitassay.coupons.files import open_input
from fitassay.coupons.wording import shown

MOST_ENTRIES = 2_000
MOST_XML_BYTES = 1_000_000_000
MOST_VERTICES = 3_000_000
MOST_TRIANGLES = 5_000_000
MOST_BODIES = 2_000
DEEPEST = 16
LONGEST_NAME = 200
"""Limits of a package: far above any part, far below what fills a memory or takes for ever."""

UNITS_MM = {
    "micron": 0.001,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}
_START_PART = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_RELS = "_rels/.rels"
AGAIN = "export the part again"
_COARSER = ", too large for a part; export it coarser"
_Begin = Callable[[str, dict[str, str]], None]


@dataclass(frozen=True, kw_only=True)
class Body:
    """A mesh at its place.

    Attributes
    ----------
    name : str
        Of its object; may be empty.
    vertices : ndarray (n, 3)
        In the unit of the package, placed.
    faces : ndarray (m, 3) of int
    factor : float
        Millimetres in one unit.
    source : (str, str)
        Model part and id of its object.
    transform : ndarray (4, 3)
        By which the object was placed, for row vectors.
    """

    name: str
    vertices: np.ndarray
    faces: np.ndarray
    factor: float
    source: tuple[str, str]
    transform: np.ndarray


@dataclass(kw_only=True)
class _Object:
    """One object of a model part: a mesh, or other objects with their transforms."""

    name: str
    vertices: array = field(default_factory=lambda: array("d"))
    faces: array = field(default_factory=lambda: array("q"))
    components: list[tuple[tuple[str, str], np.ndarray]] = field(default_factory=list)

    def check(self) -> None:
        """Raise where a triangle names a vertex that is not there."""
        count = len(self.vertices) // 3
        low, high = min(self.faces, default=0), max(self.faces, default=-1)
        if low < 0 or high >= count:
            raise InputError(
                f"has a triangle with vertex {low if low < 0 else high} where the object has vertices "
                f"0 to {count - 1}; {AGAIN}"
            )

    def mesh(self) -> tuple[np.ndarray, np.ndarray]:
        return np.array(self.vertices).reshape(-1, 3), np.array(self.faces).reshape(-1, 3)


def read_bodies(path: Path) -> tuple[Body, ...]:
    """The bodies of a 3MF file in the order of its build items.

    Raises
    ------
    InputError
        No readable package, a triangle that names a vertex that is not there, or beyond the limits.
    """
    with open_input(path, "part") as stream:
        try:
            with zipfile.ZipFile(stream) as package:
                return _Package(package, path).bodies()
        except BROKEN as exc:
            raise unreadable(path, exc) from exc


# What a broken archive makes its reader raise: RuntimeError where it is encrypted.
BROKEN = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError)


def unreadable(path: Path, exc: Exception) -> InputError:
    """The sentence for a `BROKEN` archive."""
    return InputError(f"is no readable 3MF file ({exc}); {AGAIN}", str(path))


class _Package:
    """A package being read; what has been counted so far."""

    def __init__(self, package: zipfile.ZipFile, path: Path) -> None:
        self.package = package
        self.path = path
        self.names = {n.lstrip("/").casefold(): n for n in package.namelist()}
        self.objects: dict[tuple[str, str], _Object] = {}
        self.items: list[tuple[tuple[str, str], np.ndarray]] = []
        self.units: dict[str, float] = {}
        self.vertices = self.triangles = self.xml_bytes = self.built = self.placed = 0
        if len(self.names) > MOST_ENTRIES:
            raise self.wrong("holds more files than a part's package has; was another file meant?")

    def wrong(self, message: str, where: str = "") -> InputError:
        return InputError(message, f"{self.path}{where}")

    def bodies(self) -> tuple[Body, ...]:
        start = self._start_part()
        waiting, done = [start], set()
        while waiting:
            part = waiting.pop()
            if part in done:
                continue
            done.add(part)
            self._read_model(part, is_start=part == start)
            waiting += [
                ref[0] for o in self.objects.values() for ref, _ in o.components if ref[0] not in done
            ]
            waiting += [ref[0] for ref, _ in self.items if ref[0] not in done]
        factor = self.units[start]
        found = tuple(
            body for ref, transform in self.items for body in self._placed(ref, transform, factor, ())
        )
        if not found:
            raise self.wrong(f"holds no mesh to be built; {AGAIN}")
        return found

    def _start_part(self) -> str:
        """The model part that the package begins with."""
        targets: list[str] = []

        def relationship(tag: str, attributes: dict[str, str]) -> None:
            if tag == "Relationship" and attributes.get("Type") == _START_PART:
                targets.append(attributes.get("Target", "").lstrip("/").casefold())

        if _RELS in self.names:
            self._parse(self.names[_RELS], relationship)
        models = [n for n in targets if n in self.names] or sorted(
            n for n in self.names if n.endswith(".model")
        )
        if not models:
            raise self.wrong("is an archive without a 3MF model in it; export the part as 3MF")
        return models[0]

    def _parse(self, name: str, begin: _Begin, end: Callable[[str], None] | None = None) -> None:
        """Hand the elements of an XML part to `begin` and `end` as they pass; nothing of it is kept."""
        parser = expat.ParserCreate(namespace_separator="}")

        def place() -> str:
            return f", {name}, line {parser.CurrentLineNumber}"

        def started(tag: str, attributes: dict[str, str]) -> None:
            tag = tag.rpartition("}")[2]
            try:
                begin(tag, attributes)
            except InputError as exc:
                raise self.wrong(exc.message, place()) from exc
            except (KeyError, ValueError, OverflowError) as exc:
                raise self.wrong(f"has a {tag} without its numbers; {AGAIN}", place()) from exc

        def ended(tag: str) -> None:
            try:
                if end is not None:
                    end(tag.rpartition("}")[2])
            except InputError as exc:
                raise self.wrong(exc.message, place()) from exc

        def document_type(*_: object) -> None:
            raise self.wrong(f"has a document type declaration, which 3MF does not allow; {AGAIN}", place())

        parser.StartElementHandler = started
        parser.EndElementHandler = ended
        parser.StartDoctypeDeclHandler = document_type
        try:
            with self.package.open(name) as raw:
                while data := raw.read(1 << 16):
                    self.xml_bytes += len(data)
                    if self.xml_bytes > MOST_XML_BYTES:
                        raise self.wrong("unpacks to more than a part can be; was another file meant?")
                    parser.Parse(data, False)
                parser.Parse(b"", True)
        except (expat.ExpatError, LookupError) as exc:  # the latter: an encoding that nobody knows
            reason = expat.ErrorString(exc.code) if isinstance(exc, expat.ExpatError) else exc
            raise self.wrong(f"is no readable 3MF file ({reason}); {AGAIN}", place()) from exc

    def _read_model(self, part: str, is_start: bool) -> None:
        if part not in self.names:
            raise self.wrong(f"names a model part {part[:200]} that is not in it; {AGAIN}")
        model = _Model(self, part, is_start)
        self._parse(self.names[part], model.begin, model.end)
        self.units[part] = model.unit

    def _placed(
        self, ref: tuple[str, str], transform: np.ndarray, factor: float, above: tuple[tuple[str, str], ...]
    ) -> Iterator[Body]:
        """The bodies of an object and of what it is put together from."""
        if ref in above or len(above) >= DEEPEST:
            raise self.wrong(f"has components that hold themselves or lie too deep; {AGAIN}")
        if ref not in self.objects:
            raise self.wrong(f"builds object {shown(ref[1])}, which is not in it; {AGAIN}")
        self.built += 1
        if self.built > MOST_BODIES:
            raise self.wrong(f"has more than {MOST_BODIES:,} bodies; export the part alone")
        made = self.objects[ref]
        if len(made.faces):
            self.placed += len(made.faces) // 3
            if self.placed > MOST_TRIANGLES:
                raise self.wrong(f"has more than {MOST_TRIANGLES:,} triangles in all; export the part alone")
            vertices, faces = made.mesh()
            with np.errstate(all="ignore"):  # what is not finite is refused with its place later
                placed = vertices @ transform[:3] + transform[3]
            # A mirror turns a body inside out unless its triangles are turned as well.
            flip = np.linalg.det(transform[:3]) < 0
            yield Body(
                name=made.name,
                vertices=placed,
                faces=faces[:, ::-1] if flip else faces,
                factor=factor,
                source=ref,
                transform=transform,
            )
        for other, inner in made.components:
            yield from self._placed(other, _chained(inner, transform), factor, (*above, ref))


class _Model:
    """One model part as its elements pass."""

    def __init__(self, package: _Package, part: str, is_start: bool) -> None:
        self.package = package
        self.part = part
        self.unit = 1.0
        self._now = _Object(name="")
        self._begin = {
            "vertex": self._vertex,
            "triangle": self._triangle,
            "object": self._object,
            "component": self._component,
            "model": self._model,
        }
        if is_start:
            self._begin["item"] = self._item

    def begin(self, tag: str, attributes: dict[str, str]) -> None:
        handler = self._begin.get(tag)
        if handler is not None:
            handler(attributes)

    def end(self, tag: str) -> None:
        if tag == "object":
            self._now.check()

    def _vertex(self, a: dict[str, str]) -> None:
        self._now.vertices.extend((float(a["x"]), float(a["y"]), float(a["z"])))
        self.package.vertices += 1
        if self.package.vertices > MOST_VERTICES:
            raise InputError(f"has more than {MOST_VERTICES:,} vertices{_COARSER}")

    def _triangle(self, a: dict[str, str]) -> None:
        self._now.faces.extend((int(a["v1"]), int(a["v2"]), int(a["v3"])))
        self.package.triangles += 1
        if self.package.triangles > MOST_TRIANGLES:
            raise InputError(f"has more than {MOST_TRIANGLES:,} triangles{_COARSER}")

    def _object(self, a: dict[str, str]) -> None:
        self._now = _Object(name=a.get("name", "")[:LONGEST_NAME])
        self.package.objects[self.part, a["id"]] = self._now

    def _component(self, a: dict[str, str]) -> None:
        self._now.components.append((_reference(a, self.part), _transform(a.get("transform"))))
        _count_bodies(len(self._now.components))

    def _item(self, a: dict[str, str]) -> None:
        self.package.items.append((_reference(a, self.part), _transform(a.get("transform"))))
        _count_bodies(len(self.package.items))

    def _model(self, a: dict[str, str]) -> None:
        name = a.get("unit") or "millimeter"
        if name not in UNITS_MM:
            raise InputError(f"is in a unit {shown(name)} that 3MF does not know; {AGAIN}")
        self.unit = UNITS_MM[name]


def _count_bodies(count: int) -> None:
    if count > MOST_BODIES:
        raise InputError(f"has more than {MOST_BODIES:,} bodies; export the part alone")


def _reference(attributes: dict[str, str], part: str) -> tuple[str, str]:
    """Model part and id of the object that an item or a component names."""
    other = next((v for k, v in attributes.items() if k.rpartition("}")[2] == "path"), None)
    home = posixpath.normpath(other).lstrip("/").casefold() if other else part
    return home, attributes["objectid"]


def _transform(text: str | None) -> np.ndarray:
    """The 4 x 3 matrix of an item or component; row vectors, translation in the last row."""
    if not text:
        return np.vstack([np.eye(3), np.zeros(3)])
    values = np.array([float(t) for t in text.split()])
    if values.shape != (12,) or not np.isfinite(values).all():
        raise ValueError(text)
    return values.reshape(4, 3)


def _chained(inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
    """First `inner`, then `outer`."""
    return np.vstack([inner[:3] @ outer[:3], inner[3] @ outer[:3] + outer[3]])
