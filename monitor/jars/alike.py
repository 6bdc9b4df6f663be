"""Jars that stand alike are told of once, with all their numbers; also where they differ only by those in another run.

Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from monitor.jars.state import JarState

#: Stands for a jar's number in the run that it went on in, until those of all that are alike are known.
_THERE = "\0"


@dataclass(frozen=True, slots=True)
class Alike:
    """Numbers of jars, and one of them whose words speak for all."""

    numbers: tuple[int, ...]
    shown: JarState


def alike(jars: Iterable[JarState], also: Callable[[JarState], object] = lambda _: None) -> list[Alike]:
    """Jars put together, in the order of the first of each; ``also`` tells apart what their words do not."""
    groups: dict[object, list[JarState]] = {}
    for jar in jars:
        key = (
            *(
                jar.status,
                jar.seal.seal,
                jar.gone,
                jar.lost,
                jar.use_by,
                jar.due,
                jar.child_run,
                jar.guidance,
            ),
            *(jar.choices, _bare(jar, jar.why), _bare(jar, jar.do), also(jar)),
        )
        groups.setdefault(key, []).append(jar)
    return [_told(group) for group in groups.values()]


def _bare(jar: JarState, text: str) -> str:
    if jar.child_run is None:
        return text
    for words in ("jar {} of run " + jar.child_run, "run " + jar.child_run + " as jar {}"):
        text = text.replace(words.format(jar.child_jar), words.replace("jar {}", _THERE))
    return text


def _told(group: list[JarState]) -> Alike:
    first = group[0]
    there = [str(jar.child_jar) for jar in group if jar.child_jar is not None]
    words = f"jar{'s' if len(there) > 1 else ''} {', '.join(there)}"
    why, do = (_bare(first, text).replace(_THERE, words) for text in (first.why, first.do))
    return Alike(tuple(jar.jar for jar in group), replace(first, why=why, do=do))
