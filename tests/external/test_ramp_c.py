"""The emitted C ramp against the simulator's FixedRamp, compiled by gcc, clang and arm-none-eabi-gcc.

Sources: the compilers' own warnings and sanitizers (AddressSanitizer, UndefinedBehaviorSanitizer), and FixedRamp, which
is written in Python's unbounded integers: wherever a 64-bit word of the C code overflowed, the two would part.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "c"))
sys.path.insert(0, str(Path(__file__).parents[1] / "hwsim"))
import c_build
import long_ramp
import ramp_lockstep

SANITIZED = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def needs(*programs: str) -> pytest.MarkDecorator:
    reason = c_build.have(*programs)
    return pytest.mark.skipif(reason is not None, reason=reason or "")


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ramp")
    ramp_lockstep.emit_ramp(folder)
    return ramp_lockstep.build_driver(folder, "gcc", *c_build.STRICT, *SANITIZED)


@needs("gcc")
@pytest.mark.parametrize("wide", [False, True], ids=["plausible motors", "everything allowed"])
def test_equal_to_the_last_count(driver: Path, wide: bool) -> None:
    """2 x 150,000 ticks; by hand: tests/c/ramp_lockstep.py. `wide`: all limits, ticks, places, refused ones too."""
    total: dict[str, int] = {}
    for seed in range(5):
        script = ramp_lockstep.Script(seed, 30_000, wide)
        assert ramp_lockstep.difference(driver, script) == ""
        total = {name: total.get(name, 0) + count for name, count in script.counts.items()}
    assert min(total.values()) > 10, total
    assert total["waiting"] > 200


@needs("clang")
def test_clang_agrees(tmp_path: Path) -> None:
    ramp_lockstep.emit_ramp(tmp_path)
    extra = ("-Wsign-conversion", "-Wcast-align", "-O2", "-fsanitize=undefined,integer", "-fno-sanitize-recover=all")
    # `unsigned-integer-overflow`, a part of `integer`, would be no fault in C; there is none all the same.
    driver = ramp_lockstep.build_driver(tmp_path, "clang", *c_build.STRICT, *extra)
    assert ramp_lockstep.difference(driver, ramp_lockstep.Script(7, 60_000, wide=True)) == ""


@needs("gcc")
def test_the_soak_in_c(tmp_path: Path) -> None:
    """10^6 ticks under sanitizers; 10^9 by hand: tests/hwsim/long_ramp.py --kind c."""
    ramp_lockstep.emit_ramp(tmp_path)
    program = ramp_lockstep.build_with(tmp_path, "ramp_soak.c", "gcc", *c_build.STRICT, *SANITIZED)
    total: dict[str, int] = {}
    for seed in range(1, 5):
        for name, number in long_ramp.c_job(program, 250_000, seed).items():
            total[name] = total.get(name, 0) + number
    assert total["ticks"] == 1_000_000
    assert min(total.values()) > 50, total


SOAK_FAULTS = {
    "a travel that is not looked at": (
        "held->high <= higher(ramp->high, ramp->brake.high) &&", "", "outside the travel"),
    "limits taken over too early": (
        "    if (held.high > higher(ramp->high, ramp->brake.high) || held.low < lower(ramp->low, ramp->brake.low)) {",
        "    if (held.high > held.high + held.low - held.low) {", "outside the travel"),
    "a jump onto the target": ("#define NEAR (ONE >> 10)", "#define NEAR (ONE >> 4)", "sum of v"),
    "jerk of one unit too much": ("return side * (a + jerk);", "return side * (a + jerk + 1);", "jerk"),
}  # fmt: skip


@needs("gcc")
@pytest.mark.parametrize("fault", SOAK_FAULTS)
def test_the_soak_in_c_finds_planted_faults(tmp_path: Path, fault: str) -> None:
    ramp_lockstep.emit_ramp(tmp_path)
    ramp_lockstep.plant(tmp_path, *SOAK_FAULTS[fault][:2])
    program = ramp_lockstep.build_with(tmp_path, "ramp_soak.c", "gcc", "-O1")

    def soak() -> None:
        for seed in range(1, 11):
            long_ramp.c_job(program, 1_000_000, seed)

    with pytest.raises(long_ramp.Broken, match=SOAK_FAULTS[fault][2]):
        soak()


@needs("gcc")
def test_the_questions_round_to_the_nearest(tmp_path: Path) -> None:
    """mdeg, mdeg/s and mdeg/s^2 as whole numbers: Python's round() of what FixedRamp says."""
    ramp_lockstep.emit_ramp(tmp_path)
    (tmp_path / "ask.c").write_text(
        '#include <stdio.h>\n#include "ringlet_ramp.h"\nint main(void)\n{\n    ringlet_ramp r;\n    int i;\n'
        "    ringlet_ramp_limits l = {120000, 600000, 400000, 8000000};\n    ringlet_ramp_start(&r, &l, -3, 1000);\n"
        "    ringlet_ramp_run(&r, -120000);\n    for (i = 0; i < 600; i++) {\n        ringlet_ramp_tick(&r);\n"
        "        if (i == 450) {\n            ringlet_ramp_stop(&r);\n        }\n"
        '        printf("%lld %lld %lld %lld\\n", (long long)ringlet_ramp_position(&r),\n'
        "               (long long)ringlet_ramp_velocity(&r), (long long)ringlet_ramp_acceleration(&r),\n"
        "               (long long)ringlet_ramp_stopping_point(&r));\n    }\n"
        '    printf("%lld %lld %lld %lld\\n", (long long)ringlet_ramp_mdeg(RINGLET_RAMP_ONE / 2),\n'
        "           (long long)ringlet_ramp_mdeg(-RINGLET_RAMP_ONE / 2), (long long)ringlet_ramp_mdeg(\n"
        "           3 * (RINGLET_RAMP_ONE / 2)), (long long)ringlet_ramp_mdeg(-5 * (RINGLET_RAMP_ONE / 2) + 1));\n"
        "    return 0;\n}\n"
    )
    c_build.build("gcc", "-std=c99", *c_build.STRICT, "ask.c", *ramp_lockstep.SOURCES, "-o", "ask", cwd=tmp_path)
    said = c_build.run("./ask", cwd=tmp_path).stdout.decode().splitlines()
    got = [[int(word) for word in line.split()] for line in said]
    ramp = ramp_lockstep.FixedRamp(ramp_lockstep.RampLimits(120_000.0, 600_000.0, 400_000.0, 8e6), -3.0)
    ramp.run(-120_000.0)
    for i, row in enumerate(got[:-1]):
        ramp.tick()
        if i == 450:
            ramp.stop()
        assert row == [round(x) for x in (ramp.position, ramp.velocity, ramp.acceleration, ramp.stopping_point())]
    assert got[-1] == [round(0.5), round(-0.5), round(1.5), round(-2.5 + 1e-9)]


FAULTS = {
    "rounding of a negative half": ("return x >= 0 ? x >> n : -1 - ((-1 - x) >> n);", "return x / ((int64_t)1 << n);"),
    "put-in tick forgotten on the way": (
        "v += k * level - jerk * triangle(k) + plan->rest;", "v += k * level - jerk * triangle(k);"),
    "limits never taken over": ("    if (waiting) {\n        adopt(ramp);", "    if (0) {\n        adopt(ramp);"),
    "reach of the old plan kept": (
        "    ringlet_plan_reach(&ramp->brake, ramp->p, ramp->v, ramp->a, jerk);\n", ""),
    "speed cut at the wrong limit": ("side * lower(ramp->speed, units->velocity)", "side * ramp->speed"),
}  # fmt: skip


@needs("gcc")
@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_seen(tmp_path: Path, fault: str) -> None:
    ramp_lockstep.emit_ramp(tmp_path)
    ramp_lockstep.plant(tmp_path, *FAULTS[fault])
    driver = ramp_lockstep.build_driver(tmp_path, "gcc", "-O1")
    assert any(ramp_lockstep.difference(driver, ramp_lockstep.Script(seed, 20_000, wide=False)) for seed in (0, 2, 4))


@needs("gcc")
def test_an_overflow_would_be_seen(driver: Path, tmp_path: Path) -> None:
    """Without its bound on speeds, a plan leaves 64 bits and UBSan stops the run: the lock-step run is watched."""
    ramp_lockstep.emit_ramp(tmp_path)
    path = tmp_path / "ringlet_ramp.c"
    text = path.read_text()
    assert text.count("* ONE / square;") == 2
    path.write_text(text.replace("* ONE / square;", "* (ONE << 9) / square;"))
    driver = ramp_lockstep.build_driver(tmp_path, "gcc", *SANITIZED)
    script = ramp_lockstep.Script(1, 2_000, wide=True)
    with pytest.raises(AssertionError, match="signed integer overflow"):
        ramp_lockstep.run_driver(driver, [(0, 3_600_000, 200_000_000, 200_000_000, 1 << 40, 0, 100, 0), *script.rows])


@needs("arm-none-eabi-gcc", "arm-none-eabi-size")
def test_sizes_on_a_microcontroller(tmp_path: Path) -> None:
    """It builds for a Cortex-M0+ without static RAM, and needs nothing but the compiler's own helpers."""
    ramp_lockstep.emit_ramp(tmp_path)
    flags = ("-std=c99", *c_build.STRICT, "-mcpu=cortex-m0plus", "-mthumb", "-Os", "-ffunction-sections")
    c_build.build("arm-none-eabi-gcc", *flags, "-c", *ramp_lockstep.SOURCES, cwd=tmp_path)
    objects = [name.replace(".c", ".o") for name in ramp_lockstep.SOURCES]
    said = c_build.run("arm-none-eabi-size", "-t", *objects, cwd=tmp_path).stdout.decode().splitlines()
    text, data, bss = (int(word) for word in said[-1].split()[:3])
    print(f"Cortex-M0+ -Os: {text} bytes of flash")
    assert (data, bss) == (0, 0)
    assert 4_000 < text < 10_000
    names = c_build.run("arm-none-eabi-nm", "-u", *objects, cwd=tmp_path).stdout.decode()
    outside = set(re.findall(r"U (\w+)", names))
    helpers = {name for name in outside if name.startswith(("__aeabi_", "ringlet_plan_"))}
    assert outside <= {"memcpy"} | helpers
