"""The register on one phone with what its lean extra brings and nothing else: every page."""

from __future__ import annotations

import json
import re
import tomllib
import urllib.error
import urllib.parse
import uuid
from importlib import metadata

import pytest
from browserkit import ROOT
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from test_here import PIN, Phone

HIDING = """
import sys

class Hidden:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {names!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)

sys.meta_path.insert(0, Hidden())
"""


def brought(extra: str) -> set[str]:
    """Distributions that pip installs for an extra, with all that they need themselves."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    todo = [Requirement(one) for one in project["dependencies"]]
    todo += [Requirement(one) for one in project["optional-dependencies"][extra]]
    seen: set[tuple[str, frozenset[str]]] = set()
    while todo:
        wanted = todo.pop()
        key = canonicalize_name(wanted.name), frozenset(wanted.extras)
        if key in seen:
            continue
        seen.add(key)
        for line in metadata.distribution(wanted.name).requires or ():
            needed = Requirement(line)
            asked = [{"extra": one} for one in (wanted.extras or {""})]
            if needed.marker is None or any(needed.marker.evaluate(one) for one in asked):
                todo.append(needed)
    return {name for name, _ in seen}


@pytest.fixture
def lean_phone(tmp_path, monkeypatch):
    """A phone whose server finds no module of another distribution."""
    kept = brought("phone")
    hidden = {
        module
        for module, by in metadata.packages_distributions().items()
        if module != "cardreader" and not {canonicalize_name(one) for one in by} & kept
    }
    assert {"ifaddr", "segno", "zeroconf", "fhir", "scipy", "pandas"} <= hidden
    folder = tmp_path / "hiding"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(HIDING.format(names=hidden))
    phone = Phone(tmp_path / "phone", folder)
    yield phone
    phone.kill()


@pytest.mark.slow
def test_every_page_and_a_photo_without_what_only_a_network_needs(lean_phone):
    shown = lean_phone.start()
    token = urllib.parse.parse_qs(urllib.parse.urlsplit(shown).query)["token"][0]
    lean_phone.form("/first", token=token, name="Amina", pin=PIN, again=PIN)
    lean_phone.csrf = json.loads(lean_phone.call("GET", "/api/session"))["csrf"]
    woman = lean_phone.add_woman("KX-700")["id"]
    lean_phone.add_tube(woman, uuid.uuid4().hex)
    assert lean_phone.add_photo("KX-700", uuid.uuid4().hex)["hb_g_dl"] > 0
    seen = crawl(lean_phone)
    assert len(seen) > 30
    exports = {path: seen.pop(path) for path in list(seen) if path.endswith(".fhir.json")}
    assert sorted(exports.values()) == [409, 409]  # told in a sentence
    assert set(seen.values()) == {200}, seen


def crawl(phone: Phone) -> dict[str, int]:
    """Status of every page and file that links lead to, each with the first query alone."""
    todo, seen = ["/"], {}
    while todo:
        path = todo.pop()
        page = path.partition("?")[0]
        if page in seen or not re.match(r"/(?!sign-out|static)", page):
            continue
        try:
            text, seen[page] = phone.call("GET", path).decode("utf-8", "replace"), 200
        except urllib.error.HTTPError as error:
            text, seen[page] = "", error.code
        links = re.findall(r'<a [^>]*href="([^"#]+)', text) if "<html" in text else []
        todo += [urllib.parse.urljoin(path, link.replace("&amp;", "&")) for link in links]
    return seen
