"""For the tests of bench runs: rigs with changed cards, and runs of few measurements."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from ringlet.hwsim.cardfile import load_lens, load_motor, vary
from ringlet.tools.bench import registry


def rig_file(folder: Path, motor: dict[str, float] | None = None, nodes: int = 1) -> Path:
    """A rig of one-axis nodes, each a small motor on an iris ring, the motor card changed."""
    folder.mkdir(exist_ok=True)
    for name, one in (("motor", vary(load_motor("small"), motor or {})), ("lens", load_lens("iris"))):
        data = one.model_dump(mode="json", exclude={"marks"}, exclude_none=True)
        (folder / f"{name}.toml").write_text("\n".join(f"{key} = {json.dumps(value)}" for key, value in data.items()))
    text = 'name = "bench run"\n'
    for number in range(nodes):
        text += (
            f"[[nodes]]\nunique_id = {7 + number}\naddress = {16 + number}\n[[nodes.axes]]\n"
            f'motor = "{folder}/motor.toml"\nlens = "{folder}/lens.toml"\nrole = "iris"\nring_start_deg = 37.5\n'
        )
    path = folder / "rig.toml"
    path.write_text(text)
    return path


def keep_only(names: Iterable[str]) -> None:
    """Take all other measurements out of the table, in this process."""
    registry.MEASUREMENTS = {  # type: ignore[misc]
        name: one for name, one in registry.MEASUREMENTS.items() if name in set(names)
    }  # fmt: skip
