"""Where the licences of an SPDX expression can be read: SPDX keeps a page for each on its list."""

import re
from typing import Final

_PAGE: Final = "https://spdx.org/licenses/{}.html"
_OPERATORS: Final = frozenset({"and", "or", "with"})


def licence_ids(expression: str) -> tuple[str, ...]:
    """Return the licences and exceptions an SPDX expression names, spelt as on SPDX's list; none where it is none."""
    from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

    try:
        spelt = canonicalize_license_expression(expression.strip())
    except InvalidLicenseExpression:
        return ()
    names = (name for name in re.split(r"[\s()]+", spelt) if name and name.lower() not in _OPERATORS)
    return tuple(dict.fromkeys(names))


def licence_links(expression: str, own: str = "") -> tuple[tuple[str, str], ...]:
    """Return (licence, address) for each licence of an SPDX expression; ``own``: the one address that the maker gave.

    A licence of the maker's own (``LicenseRef-…``) has no page with SPDX. “Or any later version” (``+``) is read on
    the page of the version it begins with.
    """
    if own.strip():
        return ((expression.strip(), own.strip()),)
    names = (name for name in licence_ids(expression) if not name.lower().startswith("licenseref-"))
    return tuple((name, _PAGE.format(name.removesuffix("+"))) for name in names)
