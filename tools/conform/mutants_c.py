"""Broken motors in C: single mistakes, put into the emitted core by text, compiled, and run on simulated drives."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final, NamedTuple

from ringlet.hwsim.rigfile import load_rig
from ringlet.hwsim.simrig import SimRig
from ringlet.protocol import emit
from ringlet.tools.conform.bed import Bed
from ringlet.tools.conform.run import FAIL, Report, meet, run
from ringlet.tools.conform.table import CHECKS, Check, load

PROGRAM: Final = "ringlet_host"
ROOM: Final = ("-DRINGLET_AXES=8u", "-DRINGLET_ANSWERS=1024u", "-DRINGLET_LATER=128u", "-D_POSIX_C_SOURCE=200809L")
"""What the emitted Makefile gives a host program; warnings are off, for a mistake may leave something unused."""


class CMutant(NamedTuple):
    """A mistake: in `file` the text `old`, which must be there exactly once, becomes `new`."""

    name: str
    text: str
    caught_by: str
    file: str
    old: str
    new: str


C_MUTANTS: Final = tuple(CMutant(*row) for row in (
    ("c-crc-unchecked", "frames with a wrong CRC are carried out", "FRAME-01", "ringlet_serial.c",
     "if (ringlet_crc(RINGLET_CRC_NONE, data, count) !=",
     "if (count == 0u && ringlet_crc(RINGLET_CRC_NONE, data, count) !="),
    ("c-kept-before-zero", "the bytes of a broken frame stay in the buffer", "FRAME-02", "ringlet_serial.c",
     "        ringlet_decoder_start(decoder);\n    } else if",
     "        decoder->skip = 0u;\n        if (result == RINGLET_OK) {\n            decoder->used = 0u;\n        }\n"
     "    } else if"),
    ("c-overlong-tail", "the end of an over-long frame is taken for a frame", "FRAME-04", "ringlet_serial.c",
     "            decoder->skip = 1u;\n", ""),
    ("c-count-past-the-end", "a byte-stuffing count that points past the end is believed", "FRAME-06",
     "ringlet_serial.c", "return left == 0u ? RINGLET_OK : RINGLET_RESULT_COBS;", "return RINGLET_OK;"),
    ("c-header-masked", "the bits above the header's 29 are masked off", "FRAME-07", "ringlet_serial.c",
     "if (ident > RINGLET_IDENT_MAX) {\n        return RINGLET_RESULT_HEADER;\n    }\n    frame->ident = ident;",
     "frame->ident = ident & RINGLET_IDENT_MAX;"),
    ("c-search-short", "a search is compared one bit short", "ADDR-02", "ringlet_request.c",
     "(uint8_t)(48u - bits);", "(uint8_t)(48u - bits + (bits > 0u));"),
    ("c-own-id-a-conflict", "its own id is taken for a conflict", "ADDR-08", "ringlet_request.c",
     "if (m.id == node->card->unique_id) {\n        return;", "if (m.id == 0u) {\n        return;"),
    ("c-nobody-answered", "requests from address 0 are answered like others", "HEAD-04", "ringlet_node.c",
     "if ((src == RINGLET_ADDRESS_NOBODY || src == RINGLET_ADDRESS_EVERYONE) &&",
     "if (src == RINGLET_ADDRESS_EVERYONE &&"),
    ("c-write-not-looked-at", "a save that fails is answered with done", "POWER-05", "ringlet_settings.c",
     "if (!ringlet_store_save(axis->board, place, axis->page, count)) {\n        return 0u;",
     "if (!ringlet_store_save(axis->board, place, axis->page, count)) {\n        return 1u;"),
    ("c-stage-outlives-release", "a staged move is still there after a release", "SYNC-05", "ringlet_events.c",
     "    axis->staged = 0u;\n    if (next == RINGLET_STATE_STOPPING) {\n        ramp_down(axis, event ==",
     "    axis->staged = (uint8_t)(axis->staged && event == RINGLET_EVENT_RELEASE);\n"
     "    if (next == RINGLET_STATE_STOPPING) {\n        ramp_down(axis, event =="),
    ("c-refusal-tag", "refusals have tag 0", "TAG-01", "ringlet_say.c",
     "m.tag = tag;\n    m.of = RINGLET_IDENT_KIND(ident);", "m.tag = 0u;\n    m.of = RINGLET_IDENT_KIND(ident);"),
    ("c-repeat-by-header", "repeats are told by their header alone", "TAG-06", "ringlet_node.c",
     "while (k < frame->size && kept->body[k] == frame->body[k]) {", "while (k < frame->size) {"),
    ("c-repeat-done-twice", "a repeated request is carried out again", "TAG-02", "ringlet_node.c",
     "node->now - kept->at <= RINGLET_MS_REPEAT * RINGLET_US_PER_MS", "node->now < kept->at"),
    ("c-free-axis-obeys", "a free axis obeys everyone", "OWN-01", "ringlet_request.c",
     "return rule == RINGLET_K_OWNER_MUST ? ringlet_refuse(RINGLET_REFUSAL_NOT_OWNER, 0u) : ringlet_yes();",
     "return ringlet_yes();"),
    ("c-watchdog-missing", "a silent owner is never lost", "OWN-06", "ringlet_events.c",
     "axis->owner_left -= axis->owner_left > 0;", "axis->owner_left -= axis->owner_left > 1;"),
    ("c-forced-without-ramp", "a forced take lets the motion go on", "OWN-11", "ringlet_events.c",
     "        lose_control(axis, RINGLET_AFTER_HOLD);\n    }\n    axis->owner = source;", "    }\n    axis->owner = "
     "source;"),
    ("c-byte-order", "the winding's temperature is sent with its high byte first", "KIND-09", "ringlet_say.c",
     "m.winding = (int16_t)cut(axis->reading.winding, INT16_MAX);",
     "m.winding = (int16_t)(axis->reading.winding << 8 | (axis->reading.winding >> 8 & 0xFF));"),
    ("c-range-off-by-one", "one count more than each range is taken", "PARAM-02", "ringlet_settings.c",
     "if (value < row->lo || value > row->hi) {", "if (value < row->lo || (value > row->hi && value != row->hi + 1)) "
     "{"),
    ("c-written-in-motion", "settings marked `at rest` may be written in motion", "PARAM-08", "ringlet_settings.c",
     "!ringlet_states[axis->state].still) {", "axis->state == RINGLET_STATE_STARTING) {"),
    ("c-limit-off-by-one", "one count past the upper travel limit is allowed", "MOVE-02", "ringlet_events.c",
     "if (position > travel_high(axis)) {", "if (position > travel_high(axis) + 1) {"),
    ("c-deceleration-for-acceleration", "the deceleration limit is used while speed grows", "LIMIT-02",
     "ringlet_settings.c",
     "? value : values[RINGLET_A_ACCELERATION_LIMIT];", "? value : values[RINGLET_A_DECELERATION_LIMIT];"),
    ("c-jerk-in-other-units", "the jerk limit is half as high again as the parameter", "LIMIT-04", "ringlet_settings.c",
     "limits.jerk = 1000 * (int64_t)(", "limits.jerk = 1500 * (int64_t)("),
    ("c-stage-outlives-fault", "a staged move is still there after a fault", "FAULT-03", "ringlet_events.c",
     "    axis->staged = 0u;\n    if (row->next == RINGLET_STATE_STOPPING) {\n        ramp_down(axis, "
     "RINGLET_AFTER_FAULT);",
     "    if (row->next == RINGLET_STATE_STOPPING) {\n        ramp_down(axis, RINGLET_AFTER_FAULT);"),
    ("c-stop-ignored-while-finding", "a stop is passed over in the search for end stops", "STOP-04", "ringlet_events.c",
     "    axis->staged = 0u;\n    if (next == RINGLET_STATE_STOPPING) {",
     "    if (event == RINGLET_EVENT_STOP && axis->state == RINGLET_STATE_FINDING) {\n        return;\n    }\n"
     "    axis->staged = 0u;\n    if (next == RINGLET_STATE_STOPPING) {"),
    ("c-keep-alive-from-anyone", "a keep-alive from a control that owns nothing restarts the time-out", "OWN-08",
     "ringlet_node.c", "if (axis->owner != src) {\n            node->ignored++;",
     "if (axis->owner != src && row->event != RINGLET_NO_EVENT) {\n            node->ignored++;"),
    ("c-commit-without-check", "marks are taken into use whatever the check value is", "MARK-02", "ringlet_items.c",
     "ringlet_items_check(&items->new_marks) != m->check)", "ringlet_items_check(&items->new_marks) == 0x10000u)"),
    ("c-clamped-not-flagged", "a cut setpoint is not flagged", "MOVE-04", "ringlet_events.c",
     "axis->clamped = kept != wanted;", "axis->clamped = 0u;"),
))  # fmt: skip


def compiler() -> str | None:
    """A C compiler of this machine, or None."""
    return shutil.which("gcc") or shutil.which("cc") or shutil.which("clang")


def changed(texts: Mapping[str, str], one: CMutant) -> str:
    """The file with the mistake in it. Raises RuntimeError unless the text is there exactly once."""
    text = texts.get(one.file, "")
    if text.count(one.old) != 1:
        raise RuntimeError(f"{one.name}: {text.count(one.old)} places in {one.file} have the text to change, not one")
    return text.replace(one.old, one.new)


class Workshop:
    """The emitted core, compiled once; then one changed file at a time. Raises RuntimeError where that fails."""

    def __init__(self, folder: Path) -> None:
        found = compiler()
        if found is None:
            raise RuntimeError("there is no C compiler here")
        self.folder, self._cc = folder, found
        self.texts = emit.texts("firmware")
        for name, text in self.texts.items():
            (folder / name).write_text(text, encoding="utf-8")
        self._sources = sorted(name for name in self.texts if name.endswith(".c"))
        for name in self._sources:
            self._compile(folder / name, folder / f"{name}.o")
        self.healthy = self._link("healthy", {})

    def _compile(self, source: Path, to: Path) -> None:
        self._run("-std=c99", "-O1", "-w", *ROOM, f"-I{self.folder}", "-c", str(source), "-o", str(to))

    def _link(self, name: str, instead: dict[str, Path]) -> Path:
        program = self.folder / name / PROGRAM
        program.parent.mkdir(exist_ok=True)
        objects = [str(instead.get(one, self.folder / f"{one}.o")) for one in self._sources]
        self._run(*objects, "-o", str(program))
        return program

    def _run(self, *words: str) -> None:
        done = subprocess.run([self._cc, *words], capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"the C compiler failed: {done.stderr.strip().splitlines()[:1]}")

    def build(self, one: CMutant) -> Path:
        """The program with this mistake."""
        source = self.folder / f"{one.name}.c"
        source.write_text(changed(self.texts, one), encoding="utf-8")
        made = self.folder / f"{one.name}.o"
        self._compile(source, made)
        return self._link(one.name, {one.file: made})


def run_on(program: Path, rows: Iterable[Check], seed: int = 0, rig: str = "single") -> Report:
    """Checks on a core in C behind the drives of a rig."""
    bed = Bed(sim=SimRig(load_rig(rig), seed=seed, firmware=program))
    bed.wire.clock.sleep(0.1)
    probe, report, found = meet(bed.wire, bed.rig.nodes[0].address, 0, 1)
    return run(probe, report, found, rows, stops=True)


def try_all(
    folder: Path, rows: Iterable[CMutant] = C_MUTANTS, told: Callable[[CMutant, Report], None] | None = None
) -> list[tuple[CMutant, Report]]:  # fmt: skip
    """Each mutant with the report of the check that names its rule. Raises RuntimeError where it cannot be built, or
    where a healthy core fails one of these checks."""
    load()
    picked = list(rows)
    shop = Workshop(folder)
    whole = run_on(shop.healthy, [CHECKS[name] for name in dict.fromkeys(one.caught_by for one in picked)])
    wrong = [result.check.id for result in whole.results if result.outcome == FAIL]
    if wrong:
        raise RuntimeError(f"the healthy core in C fails {', '.join(wrong)}")
    found = []
    for one in picked:
        report = run_on(shop.build(one), [CHECKS[one.caught_by]])
        found.append((one, report))
        if told is not None:
            told(one, report)
    return found
