"""The Jinja2 environment that drafts are rendered in: templates may come from a folder that a stranger made.

Everything printed is made inert for its format, whatever the template does; nothing can be marked safe. Loops and
calls are counted and the clock is watched, so that a template cannot keep the companion busy. What one expression may
allocate is bounded where it multiplies. That tells slips by their line; what holds against anything is the process that
templates from a folder are rendered in (``apart.py``).
"""

import re
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import CodeType
from typing import Any, Final

from jinja2 import BaseLoader, StrictUndefined, TemplateNotFound, nodes
from jinja2.bccache import Bucket, BytecodeCache
from jinja2.compiler import CodeGenerator, Frame
from jinja2.environment import Environment
from jinja2.exceptions import SecurityError, TemplateAssertionError
from jinja2.runtime import Context
from jinja2.sandbox import ImmutableSandboxedEnvironment, safe_range

from companion.core.errors import CompanionError
from companion.core.files import is_inside, read_capped
from companion.words.safe import SAFE, Fmt

BUILT_IN: Final = Path(__file__).parent / "templates"
MOST_TEMPLATE: Final = 256 << 10
MOST_TURNS: Final = 50_000
MOST_OUTPUT: Final = 2 << 20
MOST_SECONDS: Final = 10.0
MOST_NUMBER: Final = 100_000
_FORMAT: Final = re.compile(r"(?:\.fragment)?\.(?:md|txt|html)\.jinja$")
_FILTERS: Final = """
abs batch capitalize count d default dictsort first float groupby int items join last length list lower map max min
reject rejectattr replace reverse round select selectattr slice sort string sum title trim truncate unique upper
wordcount
"""
"""The filters of Jinja2 that a template may use."""


class _Loader(BaseLoader):
    """Finds a template in the maker's folder, else among ours; ``builtin/NAME`` is always ours.

    A name that is nowhere stands for the one without its format: ``page.md.jinja`` for ``page.jinja``.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder

    def get_source(self, environment: Environment, template: str) -> tuple[str, str, None]:
        """Return source and path of a template."""
        name = template.removeprefix("builtin/")
        if Path(name).name != name or name in ("", ".", "..") or "\\" in name:
            raise TemplateNotFound(template)
        places = [BUILT_IN] if name != template or self._folder is None else [self._folder, BUILT_IN]
        for path in (place / one for one in (name, _FORMAT.sub(".jinja", name)) for place in places):
            if path.is_file() and is_inside(path.parent, path):
                try:
                    return read_capped(path, MOST_TEMPLATE, "template").decode("utf-8"), str(path), None
                except UnicodeDecodeError as error:
                    raise CompanionError("The template is not UTF-8", str(path), "save it as UTF-8") from error
        raise TemplateNotFound(template)


class _Counting(CodeGenerator):
    """Compiles every loop so that its turns are counted."""

    def visit_Template(self, node: nodes.Template, frame: Frame | None = None) -> None:  # noqa: N802
        for loop in node.find_all(nodes.For):
            if loop.recursive:
                message = "recursive loops are not for these templates"
                raise TemplateAssertionError(message, loop.lineno, self.name, self.filename)
            loop.iter = nodes.Filter(loop.iter, "_counted", [], [], None, None, lineno=loop.lineno)
        super().visit_Template(node, frame)


class _Compiled(BytecodeCache):
    """Templates compiled before, by their source; one for each format, since constants are made safe on compiling."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str], CodeType] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take the code from memory."""
        bucket.code = self._known.get((bucket.key, bucket.checksum))

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep the code in memory."""
        if len(self._known) > 64:
            self._known.clear()
        if bucket.code:
            self._known[bucket.key, bucket.checksum] = bucket.code


_COMPILED: Final[dict[Fmt, _Compiled]] = {fmt: _Compiled() for fmt in SAFE}


class Sandbox(ImmutableSandboxedEnvironment):
    """An environment for one draft in one format."""

    code_generator_class = _Counting
    intercepted_binops = frozenset(["*", "**", "%"])

    def __init__(self, fmt: Fmt, folder: Path | None) -> None:
        super().__init__(
            loader=_Loader(folder),
            autoescape=True,
            finalize=SAFE[fmt],
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=True,
            cache_size=0,
            bytecode_cache=_COMPILED[fmt],
        )
        self.filters = {name: self.filters[name] for name in _FILTERS.split()}
        self.filters["_counted"] = self._counted
        self.globals = {"range": safe_range, "format": fmt, "writer": f"write.{fmt}.jinja"}
        self._turns = 0
        self._until = time.monotonic() + MOST_SECONDS

    def turn(self) -> None:
        """Count one turn of a loop or one call; raise ``SecurityError`` when there were too many."""
        self._turns += 1
        if self._turns > MOST_TURNS or time.monotonic() > self._until:
            raise SecurityError("the template loops for too long")

    def _counted(self, items: Iterable[Any]) -> Iterator[Any]:
        for item in items:
            self.turn()
            yield item

    def call(self, context: Context, obj: Any, *args: Any, **kwargs: Any) -> Any:
        """Call ``obj`` for a template, counted, and never with a number that could size a huge text."""
        self.turn()
        if any(isinstance(value, int) and abs(value) > MOST_NUMBER for value in (*args, *kwargs.values())):
            raise SecurityError(f"a call with a number over {MOST_NUMBER:,}")
        return super().call(context, obj, *args, **kwargs)

    def call_binop(self, context: Context, operator: str, left: Any, right: Any) -> Any:
        """Multiply numbers only, and only to a size that a page could need."""
        if not all(isinstance(side, (int, float)) for side in (left, right)):
            raise SecurityError(f"“{operator}” is for numbers only")
        if operator == "**" and (abs(left) > 1000 or abs(right) > 16):
            raise SecurityError("the power is too large")
        return super().call_binop(context, operator, left, right)
