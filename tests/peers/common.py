"""What the peer tests share: where the program is, pseudo-terminal pairs, the foreign meter."""
import atexit
import contextlib
import functools
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time
import types

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "debug" / "wattward"
METER = ROOT / "tests" / "peers" / "meter.py"

PROFILE = """
[profile]
name = "Foreign three-phase meter"
notes = "served by an independent library"
[line]
baud = 19200
unit = 7
[read]
update_ms = 200
[defaults]
table = "input"
type = "f32"
positive = "import"
[points.voltage]
each = { address = 0, stride = 2 }
[points.active_power]
each = { address = 6, stride = 2, signed = true }
total = { address = 12, signed = true }
[points.frequency]
total = { address = 14 }
[points.energy_import]
total = { address = 16 }
[points.energy_export]
total = { address = 18 }
"""


def wattward(*arguments, check=None, cwd=None, timeout=120, **more):
    """Runs the program; with `check` its exit code must be that one."""
    command = [str(PROGRAM), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=timeout, **more)
    if check is not None and done.returncode != check:
        raise AssertionError(f"{' '.join(command)}\nexit {done.returncode}, wanted {check}\n"
                             f"--- stdout\n{done.stdout}\n--- stderr\n{done.stderr}")
    return done


def document(*arguments, check=None, **more):
    """Runs the program with --json and reads what it prints; nothing else may stand there."""
    return json.loads(wattward(*arguments, "--json", check=check, **more).stdout)


@functools.cache
def demo():
    """The demo, run once for all tests: its folder, its document, how long it took."""
    kept = pathlib.Path(tempfile.mkdtemp(prefix="wattward-demo-")) / "kept"
    atexit.register(shutil.rmtree, kept.parent, ignore_errors=True)
    begun = time.monotonic()
    found = document("demo", "--quiet", "--keep", kept, check=0, cwd=kept.parent)
    return types.SimpleNamespace(folder=kept, document=found, seconds=time.monotonic() - begun)


@contextlib.contextmanager
def folder():
    """A scratch folder with the foreign meter's profile in it."""
    path = pathlib.Path(tempfile.mkdtemp(prefix="wattward-peers-"))
    try:
        (path / "meter.toml").write_text(PROFILE)
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def pseudo_terminals(path):
    """Two pseudo-terminals joined by socat, as two ends of a line."""
    ends = path / "near", path / "far"
    socat = subprocess.Popen(["socat", *(f"pty,raw,echo=0,link={end}" for end in ends)])
    try:
        wait_for(lambda: all(end.exists() for end in ends), "socat's pseudo-terminals")
        yield ends
    finally:
        socat.kill()
        socat.wait()


@contextlib.contextmanager
def foreign_meter(*options):
    """The independent library's meter; yields a function that gives it a command."""
    process = subprocess.Popen([sys.executable, str(METER), *map(str, options)], stdin=subprocess.PIPE,
                               stdout=subprocess.PIPE, text=True, bufsize=1)
    try:
        if process.stdout.readline().strip() != "ready":
            raise AssertionError("the foreign meter did not start")

        def tell(words):
            process.stdin.write(words + "\n")
            process.stdin.flush()
            answer = process.stdout.readline().strip()
            assert answer == f"ok {words}", answer

        yield tell
    finally:
        process.kill()
        process.wait()


def wait_for(condition, what, seconds=10.0):
    """Waits until something holds."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"waited {seconds} s for {what}")
        time.sleep(0.02)
