"""Draw the figures of the pages about planning: ``python docs/figures/make_plan_figures.py [NAME...]``.

Each ``plan_<name>.py`` beside this script has ``draw()``, which returns the text of
``docs/plan/<name>.svg``. Without names all are drawn.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).parent


def main(names: list[str]) -> None:
    """Write the figures of these names, or all."""
    sys.path.insert(0, str(HERE))
    found = sorted(p.stem.removeprefix("plan_") for p in HERE.glob("plan_*.py"))
    for name in [n.replace("-", "_") for n in names] or found:
        text = importlib.import_module(f"plan_{name}").draw()
        path = HERE.parent / "plan" / f"{name.replace('_', '-')}.svg"
        path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
