"""The reference page: complete against the tables, its bytes against the codec, and not stale."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path
from typing import Annotated, NamedTuple

import pytest

from ringlet.protocol import emit, states
from ringlet.protocol.codec import unpack
from ringlet.protocol.codes import ENUMS, FAULTS, REFUSALS, TIMING
from ringlet.protocol.emit_diagrams import body_drawing, bundles, state_drawing
from ringlet.protocol.emit_reference import emit_reference, example_of
from ringlet.protocol.params import PARAMETERS
from ringlet.protocol.serial_frame import StreamDecoder
from ringlet.protocol.wire import I16, KINDS, U8, Field, Registry, kind, problem


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    return emit.texts("reference")


@pytest.fixture(scope="module")
def markdown(pages: dict[str, str]) -> str:
    return pages["REFERENCE.md"]


class _Page(HTMLParser):
    """Ids, links, resources and unclosed elements of a page."""

    VOID = frozenset({"meta", "br", "hr", "img", "link", "input"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            elif name == "href":
                self.links.append(value or "")
            elif name in ("src", "srcset", "data"):
                self.sources.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_kept_page_is_not_stale(markdown: str) -> None:
    kept = Path(__file__).parents[2] / "protocol" / "REFERENCE.md"
    assert kept.read_text(encoding="utf-8") == markdown, "run: ringlet emit reference --out protocol, keep REFERENCE.md"


def test_the_same_tables_give_the_same_bytes_and_no_date(pages: dict[str, str]) -> None:
    assert emit.texts("reference") == pages
    for text in pages.values():
        assert emit.is_untouched(text)
        assert f"Ringlet protocol {emit.VERSION}" in text
        assert not re.search(r"\b20[2-9]\d-\d\d-\d\d\b", text)


def test_every_row_of_every_table_is_there(pages: dict[str, str]) -> None:
    for text in pages.values():
        for row in KINDS:
            assert re.search(rf"(### |>){row.name} \(0x{row.code:02X}\)", text), row.name
            for spec in row.fields:
                assert f"{spec.name}" in text
        for param in PARAMETERS:
            assert re.search(rf"(`|<code>){param.name}(`|</code>)", text), param.name
        plain = re.sub(r"</?code>|`", "", text).replace("&quot;", '"').replace("&lt;", "<")
        for wanted in [
            *(doc for doc, _ in REFUSALS.values()), *(rule.doc for rule in FAULTS.values()),
            *(row.doc for row in TIMING.values()), *(rule.doc for rule in states.STATES.values()),
            *(row.doc for row in states.TRANSITIONS), *(row.doc for row in PARAMETERS), *states.INTERNAL.values(),
            *(doc for rows in ENUMS.values() for _, _, doc in rows), *(" ".join(row.doc.split()) for row in KINDS),
        ]:  # fmt: skip
            assert wanted.replace("`", "") in plain, wanted


def test_examples_are_what_the_codec_reads(markdown: str) -> None:
    for row in KINDS:
        part = markdown.split(f"### {row.name} (0x{row.code:02X})")[1].split("\n### ")[0]
        found = re.search(r"CAN identifier `([0-9A-F]{8})` and data `([0-9A-F ]+)`; serial `([0-9A-F ]+)`", part)
        assert found is not None, row.name
        message = unpack(int(found[1], 16), bytes.fromhex(found[2]))
        assert message == example_of(row, KINDS)
        assert message.priority == row.priority
        assert problem(message.body) is None, row.name
        decoder = StreamDecoder()
        assert decoder.feed(bytes.fromhex(found[3])) == [message]
        shown = "".join(re.findall(r"\| `([0-9A-F]{2}(?: [0-9A-F]{2})*)`", part)).replace(" ", "")
        assert shown == found[2].replace(" ", ""), "each byte of the body is explained, in order"


def test_the_long_example_and_the_first_exchanges_hold(markdown: str) -> None:
    frame = re.search(r"\| `([0-9A-F ]+)` \| the frame on the line \|", markdown)
    parts = re.search(r"\| Bytes on the line \| What \|\n\|---\|---\|\n((?:\|.*\n)+)", markdown)
    assert frame is not None
    assert parts is not None
    assert " ".join(re.findall(r"`([0-9A-F ]+)`", parts[1])) == frame[1]
    assert len(StreamDecoder().feed(bytes.fromhex(frame[1]))) == 1
    rows = re.findall(r"\| (?:control|node) \| `([0-9A-F]{8})  ([0-9A-F ]+)` \| `([0-9A-F ]+)` \|", markdown)
    assert len(rows) == 6
    for ident, data, line in rows:
        assert StreamDecoder().feed(bytes.fromhex(line)) == [unpack(int(ident, 16), bytes.fromhex(data))]


def test_the_worst_case_of_the_search_follows_from_the_times(markdown: str) -> None:
    """49 questions of 4 ms and one assign of 10 ms a node, two or four questions at the end, two frames for each."""
    waits = 49 * 4 + 10
    assert f"The waiting alone is {waits} ms a node and 8 ms at the end, 16 ms on a serial line" in markdown
    can = (waits + 8 + (49 + 2 + 1) * 2 * 160 / 250) / 1000
    serial = (8 * waits + 16 + (49 * 8 + 4 + 8) * 2 * 16 * 10 / 115.2) / 1000
    assert f"| CAN, 250 kbit/s | {can:.2f} s |" in markdown
    assert re.search(rf"\| serial, 115 200 baud \|.*\| {serial:.2f} s \|\n", markdown)


def test_the_page_needs_nothing_from_outside(pages: dict[str, str]) -> None:
    page = _Page(pages["reference.html"])
    assert not page.open
    assert not page.sources
    assert "url(" not in pages["reference.html"]
    assert "<script" not in pages["reference.html"]
    assert len(page.ids) == len(set(page.ids))
    assert page.links
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.links)


def test_wide_drawings_stay_readable_on_a_small_screen(pages: dict[str, str]) -> None:
    """Each drawing says how wide it is drawn; a narrow page scrolls it, as it does tables, instead of shrinking it."""
    page = pages["reference.html"]
    for width, own in re.findall(r"<svg viewBox='0 0 ([\d.]+) [\d.]+' style='([^']*)'", page):
        assert own == f"--width:{width}px"
    narrow = page.split("@media (max-width: 60rem)")[1].split("@media print")[0]
    assert "figure { overflow-x: auto; }" in narrow
    assert "min-width: min(var(--width)" in narrow


def test_links_of_the_markdown_lead_to_headings(markdown: str) -> None:
    headings = re.findall(r"^#+ (.+)$", markdown, re.MULTILINE)
    anchors = {re.sub(r"[^\w\- ]", "", text.lower()).replace(" ", "-") for text in headings}
    links = set(re.findall(r"\]\(#([^)]+)\)", markdown))
    assert links
    assert links <= anchors


def test_drawings_are_sound_and_hold_the_whole_table(pages: dict[str, str]) -> None:
    drawings = re.findall(r"<svg.*?</svg>", pages["reference.html"])
    assert len(drawings) == len(KINDS) + 4  # header, frame twice, states
    for svg in drawings:
        root = ET.fromstring(svg)
        width, height = (float(text) for text in root.attrib["viewBox"].split()[2:])
        for rect in root.iter("rect"):
            assert float(rect.attrib["x"]) + float(rect.attrib["width"]) <= width + 0.01
            assert float(rect.attrib["y"]) + float(rect.attrib["height"]) <= height + 0.01
    for row in KINDS:
        text = "".join(ET.fromstring(body_drawing(row)).itertext())
        assert all(spec.name in text for spec in row.fields)


def test_the_state_drawing_shows_each_transition_once() -> None:
    rows = bundles(states.TRANSITIONS)
    shown = [(row.event, row.states, row.to) for bundle in rows for row in bundle.events]
    assert sorted(shown, key=str) == sorted(((r.event, r.states, r.to) for r in states.TRANSITIONS), key=str)
    root = ET.fromstring(state_drawing(states.TRANSITIONS))
    targets = [bundle for bundle in rows if bundle.to is not None]
    arrows = [text for text in root.iter("text") if (text.text or "")[:1] in "→↻"]
    assert len(arrows) == len(targets)
    dots = sum(len([state for state in bundle.sources if state is not bundle.to]) for bundle in rows)
    assert len(list(root.iter("circle"))) == dots
    for bundle in rows:
        kinds = {row.event in states.REQUESTS for row in bundle.events}
        assert len(kinds) == 1, "italics must mean internal events only"


def test_honest_words_are_there(markdown: str) -> None:
    words = " ".join(markdown.split())
    for wanted in (
        "not an emergency stop", "On the line the promise is weaker", "whoever can reach the bus can move the motors",
        "In the 112 bits of the longest header, body and CRC, before stuffing", "Example values are invented",
    ):  # fmt: skip
        assert wanted in words


def test_a_message_added_at_run_time_arrives() -> None:
    registry = Registry()

    @kind(0xE0, "tilt-test", priority=5, role="reply", sender="node", registry=registry, since=1)
    class Tilt(NamedTuple):
        """Tilt of the housing, a | b < c."""

        tag: Annotated[int, Field(U8, "Tag.")]
        tilt: Annotated[int, Field(I16, "Tilt against level.", "deg", "0.01")]
        speed: Annotated[int, Field(U8, "How fast it tilts.", absent=0)]

    pages = {path: emit.stamped(text) for path, text in emit_reference(registry).items()}
    assert "tilt-test (0xE0)" in pages["reference.html"]
    assert ">tilt</text>" in pages["reference.html"]
    markdown = pages["REFERENCE.md"]
    assert "| `tilt` | 1-2 | i16 | 0.01 deg | -327.68 to 327.67 | Tilt against level. |" in markdown
    assert "An older sender leaves it out: take 0 counts." in markdown
    assert "a \\| b &lt; c" in markdown
    assert "since minor version 1" in markdown
    assert not _Page(pages["reference.html"]).open
