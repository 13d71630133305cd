"""Which small faults in the reckoning do the tests not see? Run by hand.

    python tests/measure_mutants.py --tests tests/geometry tests/merge    # which test reaches what
    python tests/measure_mutants.py geometry/slant.py --sample 40 --out F  # try mutants
    python tests/measure_mutants.py --retry F                             # try the survivors again

Each mutant changes one thing in one module: an operator, a comparison or its boundary, a constant by
one or by a factor, a call left out, two arguments exchanged, a condition turned round. It is tried
against tests that reach the changed line, one case of each before the second of any, up to ``--most``
seconds of processor time; those of the files in ``--first`` are tried all. What none of them notices is
printed. A survivor is the same program in other words, or wants a test. Texts for people are left alone.

Every mutant runs in a process of its own (POSIX), which is ended when it takes many times the processor
time of the tests alone. Hypothesis draws the same examples each time. A test that starts another process
does not see the mutant there.
"""

from __future__ import annotations

import argparse
import ast
import collections
import contextlib
import copy
import functools
import gc
import importlib.machinery
import importlib.util
import json
import os
import random
import resource
import select
import signal
import sys
import tempfile
import time
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOM = HERE.parent / "src" / "athwart"
TEMP = Path(tempfile.gettempdir())

SWAPS = {
    ast.Add: [ast.Sub], ast.Sub: [ast.Add], ast.Mult: [ast.Div], ast.Div: [ast.Mult],
    ast.Pow: [ast.Mult], ast.Mod: [ast.Mult], ast.FloorDiv: [ast.Mult],
    ast.BitAnd: [ast.BitOr], ast.BitOr: [ast.BitAnd],
    ast.Lt: [ast.LtE, ast.GtE], ast.LtE: [ast.Lt, ast.Gt], ast.Gt: [ast.GtE, ast.LtE],
    ast.GtE: [ast.Gt, ast.Lt], ast.Eq: [ast.NotEq], ast.NotEq: [ast.Eq], ast.Is: [ast.IsNot],
    ast.IsNot: [ast.Is], ast.In: [ast.NotIn], ast.NotIn: [ast.In],
    ast.And: [ast.Or], ast.Or: [ast.And],
}  # fmt: skip
NAMES = {
    "maximum": "minimum", "minimum": "maximum", "max": "min", "min": "max", "any": "all",
    "all": "any", "sin": "cos", "cos": "sin", "argmax": "argmin", "argmin": "argmax",
    "logical_and": "logical_or", "logical_or": "logical_and", "zeros": "ones", "ones": "zeros",
    "zeros_like": "ones_like", "isnan": "isfinite", "isfinite": "isnan", "radians": "degrees",
    "degrees": "radians", "hypot": "add",
}  # fmt: skip
TEXTS = {"left": "right", "right": "left"}


TYPES = {"asarray", "atleast_1d", "float", "int", "bool", "tuple", "list", "array", "full", "int64"}
"""Calls that only settle a type: left out, they change nothing for most arguments."""


def changes_of(node, parent):
    """Yield (what, new node) for every change of one node."""
    if isinstance(node, ast.BinOp | ast.AugAssign):
        for new in SWAPS.get(type(node.op), []):
            yield type(new()).__name__, with_(node, op=new())
    if isinstance(node, ast.AugAssign):
        plain = ast.Assign([copy.deepcopy(node.target)], copy.deepcopy(node.value))
        yield "assigned", plain
    if isinstance(node, ast.UnaryOp) and not isinstance(node.operand, ast.Constant):
        yield "sign or not dropped", copy.deepcopy(node.operand)
    if isinstance(node, ast.Compare):
        for i, op in enumerate(node.ops):
            for new in SWAPS.get(type(op), []):
                ops = [new() if j == i else o for j, o in enumerate(node.ops)]
                yield type(new()).__name__, with_(node, ops=ops)
    if isinstance(node, ast.BoolOp):
        yield "and/or", with_(node, op=SWAPS[type(node.op)][0]())
        yield (
            "first left out",
            with_(node, values=node.values[1:])
            if len(node.values) > 2
            else copy.deepcopy(node.values[1]),
        )
    if isinstance(node, ast.If | ast.While | ast.IfExp):
        yield "turned round", with_(node, test=ast.UnaryOp(ast.Not(), copy.deepcopy(node.test)))
    if isinstance(node, ast.Constant):
        v = node.value
        if isinstance(v, bool):
            yield "flipped", ast.Constant(not v)
        elif isinstance(v, int):
            yield "plus one", ast.Constant(v + 1)
            if v:
                yield "minus one", ast.Constant(v - 1)
        elif isinstance(v, float):
            yield "factor 1.25", ast.Constant(v * 1.25 if v else 1.0)
            yield "plus one", ast.Constant(v + 1.0)
        elif isinstance(v, str) and (isinstance(parent, ast.Compare) or v in TEXTS):
            yield "other text", ast.Constant(TEXTS.get(v, "X" + v))
    if isinstance(node, ast.Call):
        args = node.args
        if args and not any(isinstance(a, ast.Starred) for a in args):
            if getattr(node.func, "attr", getattr(node.func, "id", "")) not in TYPES:
                yield "call left out", copy.deepcopy(args[0])
            plain = getattr(node.func, "attr", getattr(node.func, "id", "")) in TYPES
            for i in range(0 if plain else len(args) - 1):
                order = [*args[:i], args[i + 1], args[i], *args[i + 2 :]]
                if not symmetric(node):
                    yield f"arguments {i} and {i + 1} exchanged", with_(node, args=order)
        if (
            isinstance(node.func, ast.Attribute)
            and not is_module(node.func.value)
            and node.func.attr not in ("astype", "copy", "item", "tolist")
        ):
            yield "method left out", copy.deepcopy(node.func.value)
        for i, key in enumerate(node.keywords):
            if key.arg not in ("dtype", "strict"):
                yield (
                    f"{key.arg} left out",
                    with_(node, keywords=[*node.keywords[:i], *node.keywords[i + 1 :]]),
                )
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "statement left out", ast.Pass()
    if isinstance(node, ast.Attribute) and node.attr in NAMES and isinstance(node.ctx, ast.Load):
        yield NAMES[node.attr], with_(node, attr=NAMES[node.attr])
    if isinstance(node, ast.Name) and node.id in NAMES and isinstance(node.ctx, ast.Load):
        yield NAMES[node.id], with_(node, id=NAMES[node.id])
    if isinstance(node, ast.Return) and node.value is not None:
        if isinstance(node.value, ast.Tuple) and len(node.value.elts) > 1:
            first, second, *rest = node.value.elts
            yield (
                "first two returned exchanged",
                ast.Return(ast.Tuple([second, first, *rest], ast.Load())),
            )
        elif not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield "returns nothing", ast.Return(ast.Constant(None))
    if isinstance(node, ast.Break):
        yield "continue", ast.Continue()
    if isinstance(node, ast.Continue):
        yield "break", ast.Break()
    if isinstance(node, ast.Assert | ast.Raise):
        yield "left out", ast.Pass()


def with_(node, **changes):
    new = copy.copy(node)
    for name, value in changes.items():
        setattr(new, name, value)
    return copy.deepcopy(new)


def symmetric(call):
    return getattr(call.func, "attr", "") in ("maximum", "minimum", "hypot", "logical_and")


def is_module(node):
    return isinstance(node, ast.Name) and node.id in ("np", "shapely", "math", "field")


def mutants_of(tree):
    """Return (line, what, before, apply) for every mutant of a module."""
    found = []

    def walk(node, parent, inside=False):
        if isinstance(node, ast.JoinedStr):
            return
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            return
        if isinstance(node, ast.Import | ast.ImportFrom):
            return
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") in ("errstate",):
            return
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            return
        for what, new in changes_of(node, parent):
            found.append((node, what, new, inside))
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_params", "bases"):
                continue
            if isinstance(node, ast.AnnAssign) and name == "annotation":
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    in_body = (
                        isinstance(node, ast.FunctionDef)
                        and name == "body"
                        and not any("cache" in ast.unparse(d) for d in node.decorator_list)
                    )
                    walk(child, node, inside or in_body)

    walk(tree, None)
    return found


class Put(ast.NodeTransformer):
    def __init__(self, old, new):
        self.old, self.new = old, new

    def visit(self, node):
        if node is self.old:
            return self.new
        return self.generic_visit(node)


def mutated(tree, mutant):
    node, _, new, _ = mutant
    for sub in ast.walk(new):
        if not hasattr(sub, "lineno"):
            ast.copy_location(sub, node)
    memo = {id(node): node}  # the copy keeps the very node, so that it can be found
    whole = copy.deepcopy(tree, memo)
    return ast.fix_missing_locations(Put(node, new).visit(whole))


class Loader(importlib.machinery.SourceFileLoader):
    tree = None

    def get_code(self, fullname):
        return compile(self.tree, self.path, "exec")


class Finder:
    def __init__(self, name, path, tree):
        self.name, self.path, self.tree = name, str(path), tree

    def find_spec(self, fullname, path=None, target=None):
        if fullname != self.name:
            return None
        loader = Loader(fullname, self.path)
        loader.tree = self.tree
        return importlib.util.spec_from_file_location(fullname, self.path, loader=loader)


class Chosen:
    """Runs the named tests in the given order."""

    def __init__(self, order):
        self.order = {name: i for i, name in enumerate(order)}
        self.failed = ""

    def pytest_collection_modifyitems(self, items):
        items[:] = sorted(
            (i for i in items if i.nodeid in self.order), key=lambda i: self.order[i.nodeid]
        )

    def pytest_runtest_logreport(self, report):
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report):
        if report.failed and not self.failed:
            self.failed = "collecting " + report.nodeid


class Lines:
    """Notes which lines of our rooms each test reaches, and its processor time."""

    def __init__(self):
        self.reached, self.seconds, self.now = collections.defaultdict(set), {}, None
        self.bad = []
        self.room, self.short = str(ROOM), {}
        sys.settrace(self.call)

    def call(self, frame, event, arg):
        file = frame.f_code.co_filename
        name = self.short.get(file)
        if name is None:
            name = self.short[file] = (
                file[len(self.room) + 1 :] if file.startswith(self.room) else ""
            )
        if not name:
            return None
        now, reached = self.now or "import", self.reached

        def line(frame, event, arg):
            reached[name, frame.f_lineno].add(now)
            return line

        reached[name, frame.f_lineno].add(now)
        return line

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        self.now, began = item.nodeid, time.process_time()
        sys.settrace(self.call)
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = time.process_time() - began
            self.now = None

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.bad.append(report.nodeid)


def quiet():
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)


def steady():
    import hypothesis

    hypothesis.settings.register_profile(
        "mutants", derandomize=True, database=None, deadline=None,
        suppress_health_check=list(hypothesis.HealthCheck), print_blob=False,
        phases=[p for p in hypothesis.Phase if p.name in ("explicit", "generate")],
    )  # fmt: skip
    hypothesis.settings.load_profile("mutants")


ARGS = ["-x", "-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning",
        "--tb=no", "--no-header", "-m", "not browser"]  # fmt: skip


def in_child(work, cpu_s, wall_s):
    """Run ``work`` in a process of its own; return (what it returned, "" or "time")."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(read)
        os.setsid()
        quiet()
        resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s) + 1, int(cpu_s) + 3))
        resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
        try:
            answer = work()
        except BaseException as e:
            answer = f"raised {type(e).__name__}: {e}"
        os.write(write, json.dumps(answer).encode())
        os._exit(0)
    os.close(write)
    until, data = time.monotonic() + wall_s, b""
    while True:
        ready, _, _ = select.select([read], [], [], max(0.0, until - time.monotonic()))
        if not ready:
            os.killpg(pid, signal.SIGKILL)
            break
        part = os.read(read, 1 << 16)
        if not part:
            break
        data += part
    os.close(read)
    _, status = os.waitpid(pid, 0)
    if not data:
        return None, f"ended by signal {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else "ended"
    return json.loads(data), ""


def base_line(where, out):
    lines = None

    def work():
        nonlocal lines
        steady()
        lines = Lines()
        pytest.main([*ARGS[1:], *where], plugins=[lines])
        Path(out).write_text(
            json.dumps(
                {
                    "reached": {f"{k[0]}:{k[1]}": sorted(v) for k, v in lines.reached.items()},
                    "seconds": lines.seconds,
                    "bad": lines.bad,
                    "modules": sorted(
                        name
                        for name, m in sys.modules.items()
                        if "site-packages" in (getattr(m, "__file__", None) or "")
                        and not name.startswith(("_pytest", "pytest", "athwart"))
                    ),
                }
            )
        )
        return "ok"

    return in_child(work, 3600, 3600)


def order_of(names, seconds, most_s):
    """The fastest test first, one case of each before the second of any, within a time."""
    groups = collections.defaultdict(list)
    for name in names:
        groups[name.split("[")[0]].append(name)
    for g in groups.values():
        g.sort()
        # Not only the fastest cases of a test: any of them.
        random.Random(0).shuffle(g)
    order, spent = [], 0.0
    queue = sorted(groups.values(), key=lambda g: min(seconds[n] for n in g))
    turn = 0
    while any(turn < len(g) for g in queue):
        for g in queue:
            if turn < len(g) and (spent + seconds[g[turn]] <= most_s or not order):
                order.append(g[turn])
                spent += seconds[g[turn]]
        turn += 1
    return order, spent


def tried(whole, path, order, seconds, first):
    """Run tests on a mutant; the first that fails, or nothing."""
    try:
        compile(whole, str(path), "exec")
    except (SyntaxError, ValueError, TypeError) as e:
        return f"no code: {e}"
    steady()
    name = ".".join(["athwart", *path.relative_to(ROOM).with_suffix("").parts])
    sys.meta_path.insert(0, Finder(name, path, whole))
    cost = collections.Counter()
    for n in order:
        # Collecting the examples of all docstrings takes seconds: they come last.
        cost[file_of(n)] += seconds[n] + (5 if "test_docs" in n else 0)
    for file in sorted(cost, key=lambda f: (f not in first, cost[f])):
        chosen = Chosen([n for n in order if file_of(n) == file])
        code = pytest.main([*ARGS, file], plugins=[chosen])
        if code != 0:
            return chosen.failed or f"code {code}"
    return ""


def file_of(name):
    return name.split("::")[0]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("modules", nargs="*")
    parser.add_argument("--tests", nargs="*", default=[])
    parser.add_argument("--sample", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--map", type=Path, default=TEMP / "mutants-map.json")
    parser.add_argument("--out", type=Path, default=TEMP / "mutants.jsonl")
    parser.add_argument("--retry", nargs="*", default=[])
    parser.add_argument("--first", nargs="*", default=[])
    parser.add_argument("--most", type=float, default=20.0)
    a = parser.parse_args()
    os.chdir(HERE.parent)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    assert not [m for m in sys.modules if m.split(".")[0] == "athwart"]
    sys.path.insert(0, str(HERE.parent / "src"))  # the installed one may be another
    if a.tests:
        base_line(a.tests, a.map)
        print(f"{a.map}: {len(json.loads(a.map.read_text())['seconds'])} tests")
        return
    base = json.loads(a.map.read_text())
    # Loaded once; every child begins with them. Nothing of ours may be among them.
    for name in base["modules"]:
        with contextlib.suppress(Exception):
            importlib.import_module(name)
    assert not [m for m in sys.modules if m.split(".")[0] == "athwart"]
    gc.collect()
    gc.freeze()
    bad = set(base["bad"])
    seconds = {k: v for k, v in base["seconds"].items() if k not in bad}
    again = collections.defaultdict(list)
    for file in a.retry:
        for line in Path(file).read_text().splitlines():
            d = json.loads(line)
            if not d["killed"]:
                again[d["module"]].append(d["i"])
    for module in a.modules or list(again):
        path = ROOM / module
        tree = ast.parse(path.read_text())
        every = mutants_of(tree)
        number = list(range(len(every)))
        if a.retry:
            picked = again[module]
        else:
            random.Random(f"{a.seed} {module}").shuffle(number)
            picked = sorted(number[: a.sample])
        tally = collections.Counter()
        all_of_module = {
            t for k, v in base["reached"].items() if k.startswith(module + ":") for t in v
        } - {"import"}
        for i in picked:
            node, what, new, inside = every[i]
            ast.fix_missing_locations(ast.copy_location(new, node))
            names = set()
            for line in range(node.lineno, getattr(node, "end_lineno", node.lineno) + 1):
                names |= set(base["reached"].get(f"{module}:{line}", []))
            at_import = "import" in names or not inside
            names = (names - {"import"}) & set(seconds)
            if at_import:
                names |= all_of_module & set(seconds)
            order, spent = order_of(names, seconds, a.most)
            first = [n for n in sorted(names) if n.split("::")[0] in a.first]
            order = list(dict.fromkeys([*first, *order]))
            spent = sum(seconds[n] for n in order)
            result = {
                "module": module,
                "i": i,
                "line": node.lineno,
                "what": what,
                "before": ast.unparse(node)[:160],
                "after": ast.unparse(new)[:160],
                "tests": len(order),
                "of": len(names),
                "all": len(every),
            }
            if not order:
                result["killed"] = ""
                result["note"] = "no test reaches it"
            else:
                whole = mutated(tree, every[i])

                began = time.monotonic()
                answer, how = in_child(
                    functools.partial(tried, whole, path, order, seconds, a.first),
                    4 * spent + 15,
                    30 * spent + 120,
                )
                result["killed"] = how or answer
                result["took"] = round(time.monotonic() - began, 1)
            tally[bool(result["killed"])] += 1
            with a.out.open("a") as f:
                f.write(json.dumps(result) + "\n")
            if not result["killed"]:
                print(f"{module}:{node.lineno} #{i} {what}: {result['before']}  ->  {result['after']}"
                      f"  ({len(order)} of {len(names)} tests)", flush=True)  # fmt: skip
        print(
            f"{module}: {tally[True]} of {len(picked)} killed, of {len(every)} mutants", flush=True
        )


if __name__ == "__main__":
    main()
