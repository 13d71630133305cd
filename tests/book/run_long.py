"""The invariants of the book with many times the examples; run by hand.

python tests/book/run_long.py [TIMES [PYTEST OPTIONS]]
"""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent


class _Many:
    """Asks for more examples before the tests are read."""

    def pytest_configure(self) -> None:
        sys.path.insert(0, str(HERE))
        import worlds_of_books

        worlds_of_books.MANY = int(sys.argv[1]) if len(sys.argv) > 1 else 20


def main() -> int:
    """Run the tests of this folder that draw examples."""
    names = [f"test_{n}.py" for n in ("adding", "merging", "decisions", "undo")]
    return pytest.main([*sys.argv[2:], *(str(HERE / n) for n in names)], plugins=[_Many()])


if __name__ == "__main__":
    sys.exit(main())
