"""Drive the real command line in this process: arguments in; exit code, output and errors out."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from companion.cli.base import main


class Result(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


Companion = Callable[..., Result]


@pytest.fixture
def companion(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Companion:
    """Run ``companion ARG ...`` and return what a shell would see."""
    import companion.cli  # noqa: F401  (registers the commands)

    def run(*args: object) -> Result:
        capsys.readouterr()
        monkeypatch.setattr("sys.argv", ["companion", *map(str, args)])
        with pytest.raises(SystemExit) as left:
            main()
        out, err = capsys.readouterr()
        code = left.value.code
        assert isinstance(code, int)
        return Result(code, out, err)

    return run
