"""The figures of a document: known by their size from the beginning, drawn when somebody looks at them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from reportgen.render.figures.plot import Drawing, Sketch


class Gallery(Mapping[str, Drawing]):
    """Drawings by key, each made from its sketch when it is first asked for, and kept."""

    def __init__(self, sketches: Iterable[Sketch], draw: Callable[[Sketch], Drawing]) -> None:
        self.sketches = {each.key: each for each in sketches}
        self._draw = draw
        self._drawn: dict[str, Drawing] = {}

    def __getitem__(self, key: str) -> Drawing:
        if key not in self._drawn:
            self._drawn[key] = self._draw(self.sketches[key])
        return self._drawn[key]

    def __contains__(self, key: object) -> bool:
        return key in self.sketches

    def __iter__(self) -> Iterator[str]:
        return iter(self.sketches)

    def __len__(self) -> int:
        return len(self.sketches)

    def only(self, keys: Iterable[str]) -> Gallery:
        """A gallery of some of these figures."""
        return Gallery([self.sketches[key] for key in keys], lambda sketch: self[sketch.key])

    def taken_from(self, drawn: Callable[[], Mapping[str, Drawing]]) -> Gallery:
        """The same figures as somebody else has drawn them; ``drawn`` is called when one is asked for."""
        return Gallery(self.sketches.values(), lambda sketch: drawn()[sketch.key])
