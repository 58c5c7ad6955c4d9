"""What commands print on a terminal of 80 columns, read back from a pseudo-terminal: no line that the terminal has to break."""
import fcntl
import os
import pathlib
import pty
import re
import struct
import subprocess
import termios
import unittest

from common import PROGRAM, ROOT

CAPTURES = sorted((ROOT / "captures").glob("*.pcapng"))
COLUMNS = 80
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[=>]|\x07")


def screen(*arguments, columns=COLUMNS):
    """The lines a person sees, in both streams, in order."""
    near, far = pty.openpty()
    fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    run = subprocess.Popen([PROGRAM, *map(str, arguments)], stdin=subprocess.DEVNULL, stdout=far, stderr=far, cwd=ROOT, env=environment)
    os.close(far)
    shown = b""
    while True:
        try:
            piece = os.read(near, 65536)
        except OSError:
            break
        if not piece:
            break
        shown += piece
    run.wait()
    os.close(near)
    text = ESCAPES.sub("", shown.decode())
    # A carriage return alone begins a line anew, as the status does.
    return [part for line in text.split("\r\n") for part in line.split("\r")]


class Screens(unittest.TestCase):
    def fits(self, *arguments):
        lines = screen(*arguments)
        self.assertTrue(any(lines), arguments)
        for line in lines:
            self.assertLessEqual(len(line), COLUMNS, f"{arguments}: {line!r}")
        return "\n".join(lines)

    def test_verdicts_from_captures(self):
        for capture in CAPTURES:
            check = "ct" if capture.name.startswith("ct") else "limit"
            text = self.fits(check, "--from", capture.relative_to(ROOT))
            self.assertRegex(text, "PASS|FAIL|INCONCLUSIVE")
            self.assertNotRegex(text, r"(?<![\d.])-0(\.0+)? ", "a zero with a sign")

    def test_other_commands_over_captures(self):
        capture = CAPTURES[0].relative_to(ROOT)
        for arguments in (["replay", capture], ["read", "--from", capture], ["review", "--from", capture], ["line", "--from", capture],
                          ["listen", "--from", capture], ["ports"], ["profile", "check", "profiles/example-three-phase.toml"],
                          ["profile", "show", "profiles/example-three-phase.toml"]):
            with self.subTest(arguments[0]):
                self.fits(*arguments)

    def test_errors(self):
        for arguments in (["read"], ["ct", "--from", "nothing.pcapng"], ["profile", "check", "tests/peers/common.py"],
                          ["read", "--profile", "profiles/example-three-phase.toml", "--serial", "/dev/nothing-here-of-that-name"]):
            with self.subTest(arguments):
                self.fits(*arguments)


if __name__ == "__main__":
    unittest.main()
