"""The kits that were sent, as a page: which wait, what came back, what each settles, and which test comes next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from textual.content import Content

from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes
from companion.tui.parts.content import Piece, age, content, labelled

if TYPE_CHECKING:
    from companion.steps.deeds.kits import Kit
    from companion.steps.deeds.receiving import Received
    from companion.steps.looks.kits_sent import SentKit, SentKits

_MARK: Final = {
    "waiting": ("·", "$foreground-muted"),
    "passed": ("✓", "$success"),
    "failed": ("✗", "bold $error"),
    "ended": ("!", "$warning"),
}
_NONE: Final = (
    "No kit has been sent yet: one file for a helper, who needs nothing but the engine. Press m to make one.\n"
)


def kits_content(found: SentKits, width: int) -> Content:
    """Return the test that would settle most, then every kit, the latest first."""
    pieces: list[Piece] = [content(visible(found.next), "\n\n")] if found.next else []
    if not found.kits:
        return content(*pieces, _NONE)
    pieces.append((f"{found.line}\n", "bold"))
    pieces += [_kit_content(one, width) for one in reversed(found.kits)]
    return content(*pieces, ("\nPress i to take in what came back.", "$foreground-muted"))


def _kit_content(one: SentKit, width: int) -> Content:
    kit, mark = one.kit, _MARK[one.came]
    came = f"{one.came}, {age(kit.returned)}" if kit.returned else "waiting"
    head = ", ".join(filter(None, (kit.who or "nobody named", kit.version, f"sent {age(kit.at)}")))
    if one.came == "ended":
        more = labelled("", kit.outcome, width, 1)
    elif not one.here:
        more = labelled("", "Of other content, or another engine, than now: it settles nothing.", width, 1)
    else:
        more = labelled("", f"Settles {listed(one.settles, 4)}." if one.settles else "", width, 1)
    return content(
        mark, f" {visible(head)}: ", (came, mark[1]), (f"  {visible(kit.code)}\n", "$foreground-muted"), more
    )


def made_line(kit: Kit) -> str:
    """Return in a sentence what was made."""
    music = f", with {plural(len(kit.music), 'file')} of the performance" if kit.music else ""
    without = f" It holds no test performance: {visible(kit.without)}" if kit.without else ""
    return f"Kit {kit.code}, {decimal_bytes(kit.size)}{music}: {visible(str(kit.path))}.{without}"


def came_line(came: Received) -> str:
    """Return in a sentence what came back, and what it counts for."""
    who = f" from {came.who}" if came.who else ""
    how = "passed" if came.result == "pass" else "failed"
    head = f"Kit {came.code}{who} {how}, recorded as an away test" if came.recorded else f"Kit {came.code}{who}"
    told = [line.rstrip(".") for line in (*came.says, *came.bounce)]
    return visible(". ".join([head, *told]) + ".")
