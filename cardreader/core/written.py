"""Names and lines of text as people write them, in whatever script.

Some scripts need signs that are not seen: Hindi, Persian and emoji join or part letters with
them (Unicode 15, chapter 23.2), Arabic marks directions. So "printable" is too narrow a rule
for words that people type.
"""

from __future__ import annotations

import unicodedata

_JOINERS = frozenset("\u200c\u200d\u200e\u200f")
"""Zero width non-joiner and joiner, left-to-right and right-to-left mark."""
_NEVER = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
"""Categories of control and format characters, half surrogate pairs, and line ends."""
_DASHES = str.maketrans(dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-"))


def as_line(text: str) -> str:
    """Text as one line: spaces once each, composed letters, no controls."""
    kept = "".join(c for c in " ".join(text.split()) if _belongs(c))
    return unicodedata.normalize("NFC", kept).strip()


def is_line(text: str) -> bool:
    """Whether a text holds nothing but what belongs into a line."""
    return all(_belongs(c) for c in text)


def name_key(name: str) -> str:
    """What two writings of one name share: any case, composed or not, of whatever alphabet."""
    plain = "".join(c for c in as_line(name) if c not in _JOINERS)
    return unicodedata.normalize("NFC", plain.casefold())


def ascii_digits(text: str) -> str:
    """Digits of other scripts as 0 to 9, and the Arabic decimal sign as a point."""
    return "".join(
        str(unicodedata.decimal(sign)) if sign.isdecimal() else "." if sign == "\u066b" else sign
        for sign in text
    )


def ascii_dashes(text: str) -> str:
    """The dashes that keyboards put in the place of a hyphen as hyphens."""
    return text.translate(_DASHES)


def _belongs(character: str) -> bool:
    return character in _JOINERS or unicodedata.category(character) not in _NEVER
