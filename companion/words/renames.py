"""Controls and layers that only bear another name: what tells that they are the same ones."""

from collections import Counter
from collections.abc import Hashable, Sequence

from companion.core.facts import Control, Layer


def renamed(before: Sequence[Control] | Sequence[Layer], after: Sequence[Control] | Sequence[Layer]) -> dict[str, str]:
    """Return the new names of those whose old ones are gone, by the old.

    A control is known by its MIDI controller, a layer by the files it names: what has neither cannot be told from one
    that went and another that came.
    """
    old_names, new_names = {one.name for one in before}, {one.name for one in after}
    gone = [(one.name, key) for one in before if one.name not in new_names and (key := _known_by(one)) is not None]
    fresh = [(one.name, key) for one in after if one.name not in old_names and (key := _known_by(one)) is not None]
    once = [{key for key, count in Counter(key for _, key in side).items() if count == 1} for side in (gone, fresh)]
    by_key = {key: name for name, key in fresh if key in once[1]}
    return {name: by_key[key] for name, key in gone if key in once[0] and key in by_key}


def _known_by(one: Control | Layer) -> Hashable | None:
    return one.cc if isinstance(one, Control) else (tuple(sorted(one.files)) or None)
