"""The invariants of the book with many times the examples; run by hand.

python tests/book/run_long.py [TIMES [PYTEST OPTIONS]]
"""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def main() -> int:
    """Run the tests of this folder that draw examples."""
    sys.path.insert(0, str(HERE))
    import worlds_of_books

    worlds_of_books.MANY = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    names = [f"test_{n}.py" for n in ("adding", "merging", "decisions", "undo")]
    return pytest.main([*sys.argv[2:], *(str(HERE / n) for n in names)])


if __name__ == "__main__":
    sys.exit(main())
