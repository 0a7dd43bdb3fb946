"""Flash and RAM of the emitted C on a Cortex-M0+: `python tests/c/sizes.py` prints them.

Source of the figures: arm-none-eabi-gcc -std=c99 -mcpu=cortex-m0plus -mthumb -Os and arm-none-eabi-size. Flash is
text and initialised data, RAM is initialised and zeroed data; stack and the caller's own objects come on top.
"""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import NamedTuple

import c_build

GCC = ("arm-none-eabi-gcc", "-std=c99", "-mcpu=cortex-m0plus", "-mthumb", "-Os", "-ffunction-sections")
STRUCTS = ("ringlet_header", "ringlet_frame", "ringlet_message", "ringlet_decoder")

# The least that a node can do: answer one request with `done`. What it does not call must cost nothing.
SMALL_NODE = """
#include "ringlet_serial.h"
ringlet_result step(ringlet_decoder *d, uint8_t byte, uint8_t out[RINGLET_FRAME_MAX], uint8_t *count);
ringlet_result step(ringlet_decoder *d, uint8_t byte, uint8_t out[RINGLET_FRAME_MAX], uint8_t *count)
{
    ringlet_frame frame;
    ringlet_msg_move move;
    ringlet_msg_done done;
    ringlet_result result = ringlet_decoder_feed(d, byte, &frame);
    if (result != RINGLET_OK || RINGLET_IDENT_KIND(frame.ident) != RINGLET_KIND_MOVE) {
        return result;
    }
    result = ringlet_unpack_move(frame.body, frame.size, &move);
    if (result != RINGLET_OK) {
        return result;
    }
    done.tag = move.tag;
    done.of = RINGLET_KIND_MOVE;
    frame.size = RINGLET_SIZE_DONE;
    frame.ident = RINGLET_IDENT(DONE, RINGLET_IDENT_SRC(frame.ident), RINGLET_IDENT_DST(frame.ident), 0);
    (void)ringlet_pack_done(&done, frame.body);
    return ringlet_frame_encode(&frame, out, count);
}
"""


class Size(NamedTuple):
    flash: int
    ram: int


def _size(path: str, folder: Path) -> Size:
    done = c_build.run("arm-none-eabi-size", path, cwd=folder)
    text, data, bss = map(int, done.stdout.split(b"\n")[1].split()[:3])
    return Size(text + data, data + bss)


def _data(path: str, folder: Path) -> int:
    """Bytes of writable objects by the symbol table."""
    said = c_build.run("arm-none-eabi-nm", "-S", path, cwd=folder).stdout.decode()
    return sum(int(size, 16) for size in re.findall(r"^[0-9a-f]+ ([0-9a-f]+) [bBdD] ", said, re.MULTILINE))


def measure() -> dict[str, Size]:
    """Sizes of each file, and of a node that needs little, linked without what it does not call."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sources = c_build.emit_into(folder)
        c_build.build(*GCC, "-c", *sources, cwd=folder)
        found = {path: _size(path, folder) for path in (source.replace(".c", ".o") for source in sources)}
        small = ("-DRINGLET_CRC_SMALL", "-c", "ringlet_serial.c", "-o", "small.o")
        c_build.build(*GCC, *small, cwd=folder)
        found["ringlet_serial.o, small CRC table"] = _size("small.o", folder)
        (folder / "node.c").write_text(SMALL_NODE)
        # No C library is linked, so gcc must not turn copying loops into memcpy.
        c_build.build(*GCC, *c_build.STRICT, "-DRINGLET_CRC_SMALL", "-fno-tree-loop-distribute-patterns", "-nostdlib",
                      "-Wl,--gc-sections", "-Wl,-e,step", "node.c", "ringlet.c", "ringlet_serial.c", "-lgcc",
                      "-o", "node.elf", cwd=folder)  # fmt: skip
        # The linker's default script aligns an empty data section: that is no RAM of the codec.
        found["a node that knows one request"] = Size(_size("node.elf", folder).flash, _data("node.elf", folder))
        return found


def structs() -> dict[str, int]:
    """Bytes of the structs that a node holds, as this processor's compiler lays them out."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        c_build.emit_into(folder)
        lines = "".join(f"char size_{struct}[sizeof({struct})];\n" for struct in STRUCTS)
        (folder / "structs.c").write_text(f'#include "ringlet_serial.h"\n{lines}')
        c_build.build(*GCC, "-fno-common", "-c", "structs.c", cwd=folder)
        done = c_build.run("arm-none-eabi-nm", "-S", "structs.o", cwd=folder).stdout.decode()
        return {struct: int(size, 16) for size, struct in re.findall(r" ([0-9a-f]+) B size_(\w+)", done)}


def table(found: dict[str, Size]) -> str:
    """The sizes as text for people."""
    lines = [f"{'':36}{'flash':>7}{'RAM':>6}   bytes, Cortex-M0+, -Os"]
    return "\n".join(lines + [f"{name:36}{size.flash:7}{size.ram:6}" for name, size in found.items()])


if __name__ == "__main__":
    print(table(measure()))
    print("structs in the caller's memory:", ", ".join(f"{name} {size}" for name, size in structs().items()))
