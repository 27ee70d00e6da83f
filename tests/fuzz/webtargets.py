"""What the server is sent: forms, files and JSON, each as no page of its own would send them."""

from __future__ import annotations

import datetime as dt
import random
import tempfile
from functools import cache
from pathlib import Path
from urllib.parse import quote_plus

from mutate import mutate_bytes
from mutatejson import encode, mutate_json
from seeds import card_photos, small_pictures
from target import Target, bad, one_line
from webrig import PASSWORD, Request, damaged, parse, server

from cardreader.register.base import utc_now
from cardreader.web.tls import CertificateError, certificates

Fields = list[tuple[str, bytes]]

_DAY = (utc_now() - dt.timedelta(days=2)).date().isoformat()
_W, _R, _V = "/women/@WOMAN@", "/readings/@READING@", "/visits/@VISIT@"
_FORMS: tuple[tuple[str, dict[str, str]], ...] = (
    ("/women/new", {"code": "KX-2", "gestation_weeks": "12", "smoking": "none"}),
    (f"{_W}/visits", {"number": "2", "gestation_weeks": "21"}),
    (f"{_W}/treatment", {"regimen": "treatment", "started_on": _DAY}),
    (f"{_W}/close", {"reason": "moved"}),
    (f"{_W}/remove", {"code": "KX-1"}),
    (f"{_W}/tube", {"submission_key": "abcdefgh-1", "unit": "percent", "value": "61"}),
    (
        f"{_W}/lab",
        {
            "submission_key": "abcdefgh-2",
            "value": "9,4",
            "on": _DAY,
            "method": "analyser",
            "place": "Invented Clinic",
        },
    ),
    (f"{_R}/set-aside", {"why": "Invented reason"}),
    (f"{_V}/photos", {"submission_key": "abcdefgh-3", "same_blot": "yes"}),
    ("/people", {"name": "Cleo", "role": "researcher", "password": PASSWORD}),
    ("/people/@OTHER@", {"what": "disable"}),
    ("/people/@OTHER@", {"what": "password", "password": PASSWORD}),
    ("/password", {"old": PASSWORD, "new": PASSWORD + "2"}),
    ("/sign-in", {"name": "ada", "password": PASSWORD, "next": "/women/new"}),
    ("/sign-out", {}),
    ("/language", {"language": "es", "next": "/more"}),
    ("/exchange/import", {}),
    (f"{_W}/close", {"reason": "moved", "words": "Invented Valley", "sure": "yes"}),
    (f"{_W}/reopen", {"pregnancy": "new", "new_weeks": "9"}),
    (f"{_W}/birth", {"birth_outcome": "live", "birth_on": _DAY}),
    (f"{_W}/tablets", {"tablets_left": "12", "tablets_given": "30", "tablets_on": _DAY}),
    (f"{_W}/send", {"urgent": "yes"}),
    (
        "/paper/enter",
        {
            "submission_key": "abcdefgh-8",
            "on": _DAY,
            "code": "KX-8",
            "gestation_weeks": "20",
            "value": "9,1",
            "unit": "g_dl",
            "sent": "yes",
            "tablets_given": "30",
        },
    ),
)
_SLOW = ("/people", "/password", "/sign-in")
"""Passwords are made to cost time."""

_NASTY = (
    b"", b" ", b"0", b"-1", b"NaN", b"nan", b"inf", b"-inf", b"Infinity", b"1e999", b"1e3", b"0x10",
    b"9" * 400, b"1_0", b"1.5", b"11,,2", b",", b".", "\u0661\u0662".encode(), b"\x00", b"a\x00b",
    b"\xff\xfe", b"\xed\xa0\x80", "\u202eevil".encode(), "\u0130".encode() * 30, b"\r\n\r\nX: y",
    b"<script>alert(1)</script>", b"{{7*7}}", b"{% raw %}", b"%s%n%d", b"' OR 1=1 --", b"=1+1",
    b"../../etc/passwd", b"//evil.example", b"/\\evil.example", b"javascript:alert(1)", b"null",
    b"true", b"[]", b"{}", b"2026-02-31", b"0001-01-01", b"9999-12-31", b"2026-W10-1",
    b"20261101", b"1970-01-01T00:00:00Z", b"x" * 81, b"x" * 300_000,
    "e\u0301".encode() * 90, "\U0001f9ea".encode() * 20, b"\x1b[31m", b"\x7f", b"\t", b"\xc2\x85",
)  # fmt: skip
_FILENAMES = (
    b"p.jpg", b"", b"../../x", b"C:\\x\\y.jpg", b"a\x00b.jpg", b"\xff\xfe.jpg", b"x" * 5000,
    "\u202egpj.exe".encode(), b'a"; filename="b', b".", b"..", b"/dev/null", b"%00", b"a;b=c",
)  # fmt: skip
_TYPES = (
    b"image/jpeg", b"text/csv", b"", b"text/html", b"application/octet-stream", b"x" * 2000, b"/",
    b"multipart/form-data; boundary=b", b"image/jpeg; charset=utf-7", b"text/plain; charset=nope",
    b"text/plain; charset=\xff", b"message/rfc822",
)  # fmt: skip
_NAMES = (
    b"_charset_",
    b"code",
    b"csrf",
    b"photo",
    b"table",
    b"value",
    b"",
    b"x" * 3000,
    b"__proto__",
)


def _hostile(fields: Fields, rng: random.Random) -> Fields:
    """Up to three fields that are changed, gone, there twice, or unheard of."""
    out = list(fields)
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
        at = rng.randrange(len(out)) if out else 0
        if not out or rng.random() < 0.15:
            extra = rng.choice(_NAMES).decode()
            out.insert(at, (extra, rng.choice(_NASTY)))
            continue
        name, value = out[at]
        match rng.randrange(8):
            case 0:
                del out[at]
            case 1:
                out.insert(rng.randrange(len(out) + 1), (name, rng.choice((value, *_NASTY))))
            case 2:
                out += [(name, value)] * rng.choice((5, 100))
            case 3 if name != "csrf":
                out[at] = (name, damaged(value, rng))
            case _ if name != "csrf" or rng.random() < 0.1:
                out[at] = (name, rng.choice(_NASTY))
    return out


def _urlencoded(fields: Fields, rng: random.Random) -> tuple[bytes, bytes]:
    raw = rng.random() < 0.1  # what should be escaped and isn't
    pairs = [
        quote_plus(name, safe="@").encode()
        + b"="
        + (value if raw else quote_plus(value, safe="@").encode())
        for name, value in fields
    ]
    return b"&".join(pairs), b"application/x-www-form-urlencoded"


def _part(name: str, value: bytes, file: tuple[bytes, bytes] | None) -> bytes:
    head = b'Content-Disposition: form-data; name="' + name.encode() + b'"'
    if file is not None:
        filename, kind = file
        head += b'; filename="' + filename + b'"\r\nContent-Type: ' + kind
    return head + b"\r\n\r\n" + value


def _multipart(fields: Fields, files: Fields, rng: random.Random) -> tuple[bytes, bytes]:
    boundary = rng.choice((b"----b0undary", b"b", b"x" * 70, b"x" * 300))
    parts = [_part(name, value, None) for name, value in fields]
    for name, value in files:
        odd = rng.random() < 0.5
        filename = rng.choice(_FILENAMES) if odd else b"p.jpg"
        kind = rng.choice(_TYPES) if odd else b"image/jpeg"
        parts.append(_part(name, value, (filename, kind)))
    if rng.random() < 0.1:
        rng.shuffle(parts)
    body = b"".join(b"--" + boundary + b"\r\n" + part + b"\r\n" for part in parts)
    return body + b"--" + boundary + b"--\r\n", b"multipart/form-data; boundary=" + boundary


def _sent(path: str, body: bytes, kind: bytes, rng: random.Random, headers: tuple = ()) -> bytes:
    """A request, now and then with damage to its body or with headers that don't fit it."""
    if rng.random() < 0.15:
        body = damaged(body, rng)
    if rng.random() < 0.08:
        kind = rng.choice((*_TYPES, kind + b"; charset=utf-16", kind[: len(kind) // 2]))
    found = [("content-type", kind.replace(b"\n", b"").replace(b"\r", b"")), *headers]
    if rng.random() < 0.05:
        found.append(
            rng.choice(
                (
                    ("content-length", b"-1"),
                    ("content-length", "\u0663".encode()),
                    ("content-length", b"9" * 30),
                    ("origin", b"http://evil.example"),
                    ("origin", b"http://[evil"),
                    ("origin", b"null"),
                    ("sec-fetch-site", b"cross-site"),
                    ("accept-language", b"\xff;q=nan, *;q=1e999, " + b"a-" * 500),
                    ("cookie", b"language=\xff; signed_in=" + b"x" * 4000),
                    ("host", b"[::"),
                    ("content-encoding", b"gzip"),
                    ("transfer-encoding", b"chunked"),
                    ("x-csrf-token", b"\xff"),
                )
            )
        )
    method = "POST" if rng.random() > 0.01 else rng.choice(("PUT", "GET", "HEAD", "DELETE"))
    return Request(method, path, tuple(found), body).to_bytes()


def _form_case(rng: random.Random) -> bytes:
    path, wanted = rng.choice(_FORMS)
    if path.startswith(_SLOW) and rng.random() < 0.7:
        path, wanted = rng.choice(_FORMS[:9])
    fields = _hostile([("csrf", b"@CSRF@"), *((k, v.encode()) for k, v in wanted.items())], rng)
    if rng.random() < 0.3:
        body, kind = _multipart(fields, [], rng)
    else:
        body, kind = _urlencoded(fields, rng)
    return _sent(path, body, kind, rng)


def _upload_case(rng: random.Random) -> bytes:
    """A photo or a table, sent by a page's form or by its script."""
    key = ("submission_key", b"abcdefgh-%d" % rng.randrange(9))
    taken = [("taken_at", utc_now().isoformat().encode())] if rng.random() < 0.5 else []
    match rng.randrange(4):
        case 0:
            path, name, fields = f"{_V}/photos", "photo", [key, ("same_blot", b"yes")]
        case 1:
            path, name, fields = f"/api{_V}/photos", "photo", [key, *taken, ("same_blot", b"true")]
        case 2:
            path, name = "/api/photos", "photo"
            fields = [key, *taken, ("code", b"KX-3"), ("visit_number", b"2")]
            fields += [("gestation_weeks", b"22")] if rng.random() < 0.5 else []
        case _:
            path, name, fields = "/exchange/import", "table", []
    fields = _hostile([("csrf", b"@CSRF@"), *fields], rng)
    files = [(name, _file(name, rng))]
    if rng.random() < 0.1:
        files = rng.choice(([], files * 2, files * 5, [("other", files[0][1])]))
    body, kind = _multipart(fields, files, rng)
    return _sent(path, body, kind, rng, (("x-csrf-token", b"@CSRF@"),))


def _file(name: str, rng: random.Random) -> bytes:
    if name == "table":
        row = b"KX-1,%s,9.3,analyser,Invented Clinic\n" % _DAY.encode()
        return damaged(b"code,date,hb_g_dl,method,place\n" + row * rng.choice((1, 3)), rng)
    pictures = small_pictures() if rng.random() < 0.8 else card_photos()
    picture = rng.choice(pictures)
    return rng.choice(
        (picture, mutate_bytes(picture, pictures, rng), b"", b"no photo", picture[:99])
    )


_JSON: tuple[tuple[str, dict[str, object]], ...] = (
    ("/api/women", {"code": "KX-4", "gestation_weeks": 20, "smoking": "none"}),
    (f"/api{_W}/tube", {"submission_key": "abcdefgh-5", "unit": "g/dL", "value": 9.2}),
    (f"/api{_W}/tube", {"submission_key": "abcdefgh-6", "unit": "percent", "value": 70}),
    (
        f"/api{_W}/lab",
        {
            "submission_key": "abcdefgh-7",
            "unit": "g_dl",
            "value": 9.2,
            "method": "analyser",
            "place": "Clinic",
            "on": _DAY,
        },
    ),
)


def _json_case(rng: random.Random) -> bytes:
    path, value = rng.choice(_JSON)
    body = encode(mutate_json(value, rng))
    if rng.random() < 0.1:  # a key that is there twice
        body = body.replace(b"{", b'{"code": "KX-9", "value": NaN, "hb_g_dl": 1e999, ', 1)
    return _sent(path, body, b"application/json", rng, (("x-csrf-token", b"@CSRF@"),))


_PATHS = (
    "/women?find=", "/women/new?code=", "/women/", "/visits/", "/readings/", "/lists/",
    "/summary?month=", "/summary/summary.pdf?month=", "/summary/summary.csv?month=",
    "/referrals/", "/sign-in?next=",
    "/api/women?list=", "/api/women/", "/api/readings/", "/static/", "/more?note=",
    f"{_W}?note=", f"{_R}/picture?", f"{_R}/photo?",
)  # fmt: skip


def _address_case(rng: random.Random) -> bytes:
    what = rng.choice((*_NASTY[:-6], b"due", b"2026-10", b"@WOMAN@", b"..%2f..%2fphoto.key", b"%"))
    path = rng.choice(_PATHS) + (
        quote_plus(what, safe="@/%.") if rng.random() < 0.8 else what[:2000].decode("latin-1")
    )
    accept = ("accept-language", rng.choice((b"es", b"xx;q=2", b"*", b",,;;", b"q=\xff")))
    return Request("GET", path.replace("\n", "%0A"), (accept,), b"").to_bytes()


def _answered(data: bytes) -> str:
    return server().answer(parse(data))


# --- certificates ----------------------------------------------------------------------


@cache
def _authority() -> tuple[bytes, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        made = certificates(Path(folder), [], utc_now())
        return made.authority.read_bytes(), made.authority.with_suffix(".key").read_bytes()


def _certificate_case(rng: random.Random) -> bytes:
    parts = list(_authority())
    at = rng.randrange(2)
    parts[at] = mutate_bytes(parts[at], tuple(parts), rng)
    return len(parts[0]).to_bytes(4, "big") + b"".join(parts)


def _certificate(data: bytes) -> str:
    size = int.from_bytes(data[:4], "big")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "tls"
        folder.mkdir()
        (folder / "authority.crt").write_bytes(data[4 : 4 + size])
        (folder / "authority.key").write_bytes(data[4 + size :])
        try:
            made = certificates(Path(name), ["192.168.1.2"], utc_now())
        except CertificateError as error:
            if {path.name for path in folder.iterdir()} != {"authority.crt", "authority.key"}:
                bad("refused, and yet something is written")
            return one_line(error)
        if not made.chain.read_bytes():
            bad("no certificate")
    return "read"


TARGETS = (
    Target("forms sent to the server", _form_case, _answered, 0.04),
    Target("files sent to the server", _upload_case, _answered, 0.03),
    Target("JSON sent to the server", _json_case, _answered, 0.03),
    Target("addresses asked of the server", _address_case, _answered, 0.02),
    Target("certificates (PEM)", _certificate_case, _certificate, 0.02),
)
