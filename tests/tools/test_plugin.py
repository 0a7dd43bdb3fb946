"""The pytest plugin, in test runs of its own."""

from __future__ import annotations

import subprocess
import sys

import pytest

pytest_plugins = ["pytester"]


def test_fixtures_give_rigs_and_skip_without_a_link(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import pytest

        def test_default(ringlet_sim):
            assert len(ringlet_sim.rig.nodes[0].axes) == 3
            assert ringlet_sim.rig.now_us == 0

        @pytest.mark.ringlet_rig("pair")
        def test_other_rig(ringlet_sim):
            assert [one.address for one in ringlet_sim.discover()] == [16, 17]

        def test_real(ringlet_link):
            raise AssertionError("must not run")
        """
    )
    result = pytester.runpytest_inprocess("--strict-markers", "-rs")
    result.assert_outcomes(passed=2, skipped=1)
    result.stdout.fnmatch_lines(["*needs --ringlet-link URL*"])


def test_a_link_given_on_the_command_line_reaches_the_test(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        def test_real(ringlet_link):
            assert ringlet_link.url == "sim:single"
            ringlet_link.axis(16, 0).take()
        """
    )
    pytester.runpytest_inprocess("--ringlet-link", "sim:single").assert_outcomes(passed=1)
    pytester.runpytest_inprocess("--ringlet-link", "serial:/dev/no-such-port").assert_outcomes(errors=1)


def test_the_plugin_alone_imports_nothing_heavy() -> None:
    program = (
        "import sys, ringlet.tools.pytest_plugin;"
        "heavy = ('numpy', 'construct', 'can', 'serial', 'ringlet.protocol', 'ringlet.hwsim');"
        "print([name for name in heavy if name in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
