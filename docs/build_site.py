"""Build the documentation as a site that works from the disk: ``python docs/build_site.py [FOLDER]``.

Every warning is an error. What was built is then read again: every link and anchor inside must lead
somewhere, no page may ask for a script, style, font or picture from elsewhere, and the search index must be
there.

Needs ``pip install '.[docs]'`` and no network. FOLDER is ``docs/_build`` if not given.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

__all__ = ["Page", "build", "check", "read_page"]

HERE = Path(__file__).resolve().parent

LOADED = {
    "audio": ("src",),
    "embed": ("src",),
    "iframe": ("src",),
    "image": ("href", "xlink:href"),
    "img": ("src", "srcset"),
    "input": ("src",),
    "object": ("data",),
    "script": ("src",),
    "source": ("src", "srcset"),
    "use": ("href", "xlink:href"),
    "video": ("src", "poster"),
}
"""Attributes whose address a browser fetches by itself."""

FETCHED_LINKS = {
    "stylesheet",
    "icon",
    "shortcut",
    "preload",
    "prefetch",
    "modulepreload",
    "preconnect",
    "dns-prefetch",
}
"""Kinds of ``<link>`` that a browser fetches by itself."""

AWAY = re.compile(r"(?:[a-z][a-z0-9+.-]*:)?//|(?:https?|ftp|wss?):", re.I)
IN_STYLE = re.compile(r"url\(\s*['\"]?([^'\")]+)['\"]?\s*\)|@import\s+['\"]([^'\"]+)['\"]", re.I)


@dataclass
class Page:
    """What a built page holds.

    Attributes
    ----------
    anchors : set of str
        What a link into the page can name.
    links : list of str
        Addresses that a reader can follow.
    loads : list of str
        Addresses that a browser fetches by itself.
    """

    anchors: set[str] = field(default_factory=set)
    links: list[str] = field(default_factory=list)
    loads: list[str] = field(default_factory=list)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.page = Page()
        self.in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = {name: value for name, value in attrs if value is not None}
        self.page.anchors |= {have[name] for name in ("id", "name") if name in have and tag != "meta"}
        if tag == "a" and "href" in have:
            self.page.links.append(have["href"])
        if tag == "link" and "href" in have:
            fetched = FETCHED_LINKS & set(have.get("rel", "").lower().split())
            (self.page.loads if fetched else self.page.links).append(have["href"])
        for name in LOADED.get(tag, ()):
            if name in have:
                parts = have[name].split(",") if name == "srcset" else [have[name]]
                self.page.loads += [part.split()[0] for part in parts if part.strip()]
        self.page.loads += _in_style(have.get("style", ""))
        self.in_style = tag == "style"

    def handle_data(self, data: str) -> None:
        if self.in_style:
            self.page.loads += _in_style(data)

    def handle_endtag(self, tag: str) -> None:
        self.in_style = False


def _in_style(text: str) -> list[str]:
    return [first or second for first, second in IN_STYLE.findall(text)]


def read_page(text: str) -> Page:
    """Return what a page of HTML holds.

    >>> page = read_page('<h1 id="top">A</h1><a href="b.html#x">b</a><script src="c.js"></script>')
    >>> page.anchors, page.links, page.loads
    ({'top'}, ['b.html#x'], ['c.js'])
    """
    reader = _Reader()
    reader.feed(text)
    return reader.page


def check(site: Path) -> list[str]:
    """Return what is wrong with a built site, in words; nothing where all is well.

    Parameters
    ----------
    site : Path
        Folder of the built site.
    """
    pages = {path: read_page(path.read_text(encoding="utf-8")) for path in sorted(site.rglob("*.html"))}
    found = []
    for path, page in pages.items():
        at = path.relative_to(site)
        for address in page.loads:
            if AWAY.match(address):
                found.append(f"{at} fetches {address} from elsewhere")
        for address in (*page.links, *(load for load in page.loads if not load.startswith("data:"))):
            if re.match(r"[a-z][a-z0-9+.-]*:|//", address, re.I):
                continue
            place, _, anchor = address.partition("#")
            goal = (
                (path.parent / unquote(place.partition("?")[0])).resolve()
                if place.partition("?")[0]
                else path
            )
            goal = goal / "index.html" if goal.is_dir() else goal
            if not goal.is_file():
                found.append(f"{at} leads to {address}, which is not there")
            elif anchor and goal in pages and unquote(anchor) not in pages[goal].anchors:
                found.append(f"{at} leads to {address}, but the page has no such anchor")
    for path in sorted(site.rglob("*.css")):
        away = [address for address in _in_style(path.read_text(encoding="utf-8")) if AWAY.match(address)]
        found += [f"{path.relative_to(site)} fetches {address} from elsewhere" for address in away]
    index = site / "searchindex.js"
    if not index.is_file() or len(index.read_bytes()) < 10_000:
        found.append("there is no search index, or next to nothing in it")
    return found


def build(site: Path) -> int:
    """Build the site; return the exit code of Sphinx, not 0 where anything was warned of."""
    from sphinx.cmd.build import main as sphinx

    return sphinx(
        ["-q", "-W", "--keep-going", "-b", "html", "-d", str(site / ".doctrees"), str(HERE), str(site)]
    )


def main(arguments: list[str]) -> int:
    """Build and check; return the exit code."""
    site = Path(arguments[0]).resolve() if arguments else HERE / "_build"
    if build(site):
        print("the site has faults: see above", file=sys.stderr)
        return 1
    found = check(site)
    for fault in found:
        print(fault, file=sys.stderr)
    pages = len(list(site.rglob("*.html")))
    print(f"{pages} pages in {site}; {len(found)} faults in links and what pages fetch")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
