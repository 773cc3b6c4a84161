"""Draft changelog, readme and download page from a story and templates that a maker can replace."""

import re
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
from jinja2.exceptions import SecurityError, TemplateError, TemplateNotFound, TemplateSyntaxError
from markupsafe import Markup

from companion.core.errors import CompanionError
from companion.core.systems import system_family, system_name
from companion.core.text import listed, plural
from companion.core.units import both_bytes, duration
from companion.words.apart import are_there, draft_apart
from companion.words.built import once_built
from companion.words.safe import SAFE, Fmt, link, paragraphs
from companion.words.sandbox import MOST_OUTPUT, Sandbox
from companion.words.story import GROUPS, MUST_SAY, Change, Story, field_of, missing_mark, missing_names

What = Literal["changelog", "readme", "page"]
TXT_WIDTH: Final = 76
_FAILURES: Final = (
    *(TemplateError, ArithmeticError, LookupError, TypeError, ValueError, RecursionError, AttributeError),
    *(AssertionError, MemoryError, OSError),
)
"""What a template can raise, whoever wrote it."""
_ITEM: Final = re.compile(r"\s*(?:[-*•]|\d+[.)])\s+")


def draft(what: What, fmt: Fmt, story: Story, templates: Path | None = None) -> str:
    """Return a draft that says what ``story`` says and nothing else.

    what: ``changelog`` gives the entry of this version alone, for :func:`companion.words.changelog.merge_entry`.
    templates: the maker's folder of templates, ``release-words/``. A file of theirs stands in for ours of that name:
    ``page.md.jinja`` for one format, ``page.jinja`` for those that have none of their own; likewise ``readme`` and
    ``changelog``, ``sentences.jinja`` for the sentences that all share, ``write.md.jinja`` for how they are set out.
    ``{% include "builtin/NAME" %}`` is always ours. A template sees the fields of the story and the filters below.
    Templates of theirs are rendered in a process of their own, with bounds of memory and time.
    Raises :class:`CompanionError` with the template's file and line where a template fails or reaches too far.
    """
    if templates is not None and are_there(templates):
        return draft_apart(what, fmt, story, templates)
    return draft_here(what, fmt, story, templates)


def draft_here(what: What, fmt: Fmt, story: Story, templates: Path | None) -> str:
    """Return a draft as :func:`draft` does, in this process whoever wrote the templates."""
    if what == "changelog":
        story = _with_what_to_delete(story)
    sandbox = Sandbox(fmt, templates)
    sandbox.filters |= _filters(fmt)
    name = f"{what}.{fmt}.jinja"
    pieces: list[str] = []
    size = 0
    try:
        for piece in sandbox.get_template(name).generate(_context(story, own=templates is not None)):
            size += len(piece)
            if size > MOST_OUTPUT:
                raise CompanionError(f"The draft grows over {MOST_OUTPUT:,} characters", name, "shorten the template")
            pieces.append(piece)
    except _FAILURES as error:
        raise _template_error(error, name) from error
    return _tidy("".join(pieces), fmt)


def _with_what_to_delete(story: Story) -> Story:
    """Return a story whose changes say what an update leaves behind: readme and page have a sentence of their own."""
    if not story.to_delete or not story.previous_version or not story.changes:
        return story
    gone = listed(story.to_delete, 8)
    text = f"Before an update archive is unzipped over {story.previous_version}, delete there: {gone}"
    return msgspec.structs.replace(story, changes=(*story.changes, Change(group="Removed", text=text)))


def _context(story: Story, *, own: bool) -> dict[str, Any]:
    """Return what a template sees: the story's fields by name, missing facts as their marks.

    own: whether some templates are the maker's; ours alone are in English, whatever the facts say.
    """
    fields = {name: getattr(story, name) for name in story.__struct_fields__}
    fields["lang"] = (own and story.lang.strip()) or "en"
    fields["once_built"] = once_built
    elsewhere = []
    for name in missing_names(story):
        field = field_of(name)
        value = fields.get(field)
        if isinstance(value, str) and not value.strip():
            fields[field] = missing_mark(name)
        elif field not in MUST_SAY:
            elsewhere.append(missing_mark(name))
    if not story.minimum_because and story.saved_with:
        fields["minimum"] = ""  # a promise that nothing backs; the version it was saved with stands instead
    fields["missing"] = tuple(elsewhere)
    fields["released_at"] = story.released_at or missing_mark("release date")
    fields["groups"] = [(group, found) for group in GROUPS if (found := [c for c in story.changes if c.group == group])]
    fields["story"] = story
    return fields


def _filters(fmt: Fmt) -> dict[str, Callable[..., Any]]:
    def joined(items: tuple[str, ...] | list[str], most: int = 1000) -> Markup:
        return Markup(listed([SAFE[fmt](item) for item in items], most))  # noqa: S704 - each part is made safe

    return {
        "bytes": both_bytes,
        "edition": _edition,
        "duration": duration,
        "listed": joined,
        "link": lambda value: link(value, fmt),
        "md": SAFE["md"],
        "paragraphs": paragraphs,
        "plural": plural,
        "family": lambda text: system_name(system_family(text)),
        "system": system_name,
        "underline": lambda text, mark="-": mark * len(str(text)),
        "stop": lambda text: text if str(text).rstrip().endswith((".", "!", "?", "…", "⟩")) else f"{text}.",
    }


def _edition(name: str) -> str:
    """Return an edition as words: ``any edition``, and never ``full edition edition``."""
    return name if re.search(r"\bedition\b", name, re.IGNORECASE) else f"{name} edition"


def _template_error(error: Exception, name: str) -> CompanionError:
    """Return an error for people that names the template's file and line, found on the way the error came."""
    where, line = name, 0
    if isinstance(error, TemplateSyntaxError):
        where, line = error.filename or error.name or name, error.lineno
    else:
        trace = error.__traceback__
        while trace:
            file = trace.tb_frame.f_code.co_filename
            if file.endswith(".jinja"):
                where, line = file, trace.tb_lineno
            trace = trace.tb_next
    place = f"{where}, line {line}" if line else where
    message = str(error).splitlines()[0] if str(error) else type(error).__name__
    if isinstance(error, SecurityError):
        return CompanionError(f"The template reaches too far: {message}", place, "write that part more plainly")
    if isinstance(error, TemplateNotFound):
        return CompanionError(f"There is no template “{message}”", place, "correct its name")
    if isinstance(error, RecursionError):
        message = "it never stops calling itself"
    if isinstance(error, MemoryError):
        message = "it asks for more memory than any text needs"
    return CompanionError(
        f"The template fails: {message}", place, "mend that line, or remove the file to use the built-in template"
    )


def _tidy(text: str, fmt: Fmt) -> str:
    lines = [line.rstrip() for line in text.replace("\r\n", "\n").split("\n")]
    if fmt == "txt":
        lines = [part for line in lines for part in _wrapped(line)]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).strip("\n") + "\n"


def _wrapped(line: str) -> list[str]:
    if len(line) <= TXT_WIDTH:
        return [line]
    item = _ITEM.match(line)
    return textwrap.wrap(
        line,
        TXT_WIDTH,
        subsequent_indent=" " * (item.end() if item else 0),
        break_long_words=False,
        break_on_hyphens=False,
    )
