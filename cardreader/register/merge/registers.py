"""This register among others: its card, and the cards of those it knows.

A card is a small text file: the register's name, a random id, and two public keys, one
to seal what is handed to it and one to tell what comes from it. Whoever adds a card
compares its code with the other register's by voice or on paper: a card that somebody
put in its place has another.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
from dataclasses import asdict, dataclass
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.hpke import AEAD, KDF, KEM, Suite
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from cardreader.core.written import is_line, name_key
from cardreader.register import audit
from cardreader.register.identity import RENEWED
from cardreader.register.mergemodels import KnownRegister, OwnRegister, TakenTrail

FORMAT = "cardreader-register-card/1"
CARD_BEGINS = f'{{\n "format": "{FORMAT.partition("/")[0]}/'
"""How a card's file begins, whichever version wrote it."""
CODE_GROUPS, GROUP = 5, 4
LONGEST_NAME = 60
RENEW = (
    "must be made a register of its own, there: cardreader registers renew; then exchange cards "
    "anew"
)
"""What is to be done with a copy of a register, or with one that was put back."""
SEAL = Suite(KEM.X25519, KDF.HKDF_SHA256, AEAD.AES_256_GCM)
"""Hybrid public key encryption, RFC 9180, as the cryptography library does it."""


class CardError(ValueError):
    """A card that is none, or that doesn't fit; one line says why."""


@dataclass(frozen=True)
class Card:
    """What others must know of a register; keys are 64 hexadecimal digits."""

    id: str
    name: str
    seal: str
    sign: str

    @property
    def code(self) -> str:
        """Twenty letters and digits by which two people compare a card."""
        keys = bytes.fromhex(self.seal + self.sign) + self.id.encode()
        text = base64.b32encode(hashlib.sha256(keys).digest()).decode()
        groups = (text[i : i + GROUP] for i in range(0, CODE_GROUPS * GROUP, GROUP))
        return "-".join(groups)

    def to_json(self) -> str:
        """Text of the card's file; `read_card` reads it."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=1) + "\n"


def read_card(data: bytes) -> Card:
    """A card from its file; CardError for anything else."""
    try:
        found: dict[str, Any] = json.loads(data)
        if not isinstance(found, dict) or found.pop("format", None) != FORMAT:
            raise ValueError
        card = Card(**found)
        if not all(isinstance(value, str) for value in asdict(card).values()):
            raise ValueError
        X25519PublicKey.from_public_bytes(bytes.fromhex(card.seal))
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(card.sign))
        if not 1 <= len(card.name.strip()) <= LONGEST_NAME or len(card.id) != 36:
            raise ValueError
        if not is_line(card.name) or not card.id.isascii() or not card.id.isprintable():
            raise ValueError
    except (ValueError, TypeError, RecursionError):
        raise CardError("this is not the card of a register") from None
    return card


_OWN = select(OwnRegister)


def own_register(session: Session, name: str = "") -> OwnRegister:
    """This register, made when it is first asked for; ``name`` gives it one.

    A register that came out of a backup is another one than that which went into it: it
    gets an id and keys of its own, and takes nobody to have been told anything by it.
    """
    own = session.scalars(_OWN).first()
    if own is None:
        own = OwnRegister(
            name=name or f"register {secrets.token_hex(2)}",
            seal_private=X25519PrivateKey.generate().private_bytes_raw().hex(),
            sign_private=Ed25519PrivateKey.generate().private_bytes_raw().hex(),
        )
        session.add(own)
        session.execute(
            update(KnownRegister).values(
                told=0, told_trail=0, told_at=None, taken=0, taken_trail=0, taken_at=None
            )
        )
        session.flush()
        audit.append(session, "register.made", own.id)
    elif name and name != own.name:
        own.name = name
        session.flush()
    return own


def renew_own(session: Session, by: str | None = None) -> OwnRegister:
    """Make of a copy a register of its own: new id and keys, and nobody was told anything.

    Its records stay as they are. Others must be given its new card, and phones its new name on
    the network.
    """
    old = own_register(session)
    name = old.name
    audit.append(session, RENEWED, old.id, by)
    session.delete(old)
    session.flush()
    return own_register(session, name)


def card_of(own: OwnRegister) -> Card:
    """The card to give to others."""
    seal = X25519PrivateKey.from_private_bytes(bytes.fromhex(own.seal_private))
    sign = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(own.sign_private))
    return Card(
        own.id,
        own.name,
        seal.public_key().public_bytes_raw().hex(),
        sign.public_key().public_bytes_raw().hex(),
    )


def add_known(
    session: Session, card: Card, only_theirs: bool, by: str | None = None
) -> KnownRegister:
    """Know another register by its card, whose code was compared.

    CardError for this register's own card, a name that another has, or another card
    under a known id.
    """
    if card.id == own_register(session).id:
        raise CardError(
            f"this is the register's own card, or that of a copy of it: the copy {RENEW}"
        )
    known = session.get(KnownRegister, card.id)
    if known is not None and (known.seal_public, known.sign_public) != (card.seal, card.sign):
        raise CardError("another card with this id is known: forget that register first")
    same = find_known(session, card.name)
    if same is not None and same.id != card.id:
        raise CardError(f"another register here is called {card.name}: forget it first, or rename")
    if known is None:
        known = KnownRegister(id=card.id, seal_public=card.seal, sign_public=card.sign)
        session.add(known)
        known.only_theirs = only_theirs
    elif known.only_theirs != only_theirs:
        # Told of other women from now on: whom it was never told of is new.
        known.only_theirs, known.told = only_theirs, 0
    known.name = card.name
    session.flush()
    audit.append(session, "register.known", card.id, by, code=card.code)
    return known


def kin_of(session: Session, register_id: str) -> set[str]:
    """A register, and those that it was before it was restored or copied, by id.

    Their trails begin with the same entry. What any of them handed over is a post's own, so
    that whoever lost a laptop is told again of whom it entered since the backup.
    """
    first = select(TakenTrail.hash).where(
        TakenTrail.register_id == register_id, TakenTrail.seq == 1
    )
    kin = select(TakenTrail.register_id).where(
        TakenTrail.seq == 1, TakenTrail.hash == first.scalar_subquery()
    )
    return {register_id, *session.scalars(kin)}


def find_known(session: Session, name: str) -> KnownRegister | None:
    """A known register by name, any case, or by id."""
    key = name_key(name)
    return next(
        (one for one in known_registers(session) if one.id == name or name_key(one.name) == key),
        None,
    )


def known_registers(session: Session) -> list[KnownRegister]:
    """All known registers, by name."""
    return list(session.scalars(select(KnownRegister).order_by(KnownRegister.name)))


def card_of_known(known: KnownRegister) -> Card:
    """The card by which a register is known."""
    return Card(known.id, known.name, known.seal_public, known.sign_public)


def forget_known(session: Session, known: KnownRegister, by: str | None = None) -> None:
    """Hand nothing over to a register and take nothing from it any more."""
    audit.append(session, "register.forgotten", known.id, by)
    session.delete(known)
    session.flush()


def seal(known: KnownRegister, secret: bytes, about: bytes) -> bytes:
    """Seal a secret so that only that register can open it."""
    key = X25519PublicKey.from_public_bytes(bytes.fromhex(known.seal_public))
    return SEAL.encrypt(secret, key, info=about)


def unseal(own: OwnRegister, sealed: bytes, about: bytes) -> bytes:
    """Open what was sealed for this register; raises the library's error otherwise."""
    key = X25519PrivateKey.from_private_bytes(bytes.fromhex(own.seal_private))
    return SEAL.decrypt(sealed, key, info=about)


def sign(own: OwnRegister, content: bytes) -> bytes:
    """This register's signature."""
    return Ed25519PrivateKey.from_private_bytes(bytes.fromhex(own.sign_private)).sign(content)


def is_signed_by(known: KnownRegister, signature: bytes, content: bytes) -> bool:
    """Whether a known register signed this."""
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(known.sign_public))
    try:
        key.verify(signature, content)
    except InvalidSignature:
        return False
    return True
