"""A live check with the foreign site: prompts are read as a person reads them, loads are switched in the foreign meter."""
import json
import re
import subprocess
import threading

from common import PROGRAM

PROMPT = re.compile(r">> (.*?)  \[Enter")
SWITCH = re.compile(r"switch (\S+) (ON|OFF)")

SITE = """
[site]
name = "Foreign barn"
phases = 3
[[meter]]
name = "connection"
role = "reference"
profile = "meter.toml"
line = {{ {door} }}
class = "1"
[[plant]]
name = "roof"
rated_W = 3000
storage = false
[[load]]
name = "heater-L1"
power_W = 2000
phase = "L1"
[[load]]
name = "heater-L2"
power_W = 2000
phase = "L2"
[[load]]
name = "heater-L3"
power_W = 2000
phase = "L3"
[limit]
window_s = {window}
challenges = 3
[[limit.rule]]
export_W = 0
longest_s = 5
share = 0.5
"""


def visit(here, tell, check, *options, timeout=180):
    """Runs a live check; answers each prompt. Gives exit code, document, what stood on the screen."""
    command = [str(PROGRAM), check, "--json", "--listen-first", "200ms", *map(str, options)]
    process = subprocess.Popen(command, cwd=here, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                               text=True, bufsize=1)
    timer = threading.Timer(timeout, process.kill)
    timer.start()
    screen = []
    try:
        for line in process.stderr:
            screen.append(line)
            if prompt := PROMPT.search(line):
                if switch := SWITCH.search(prompt.group(1)):
                    tell(f"{switch.group(2).lower()} {switch.group(1).removeprefix('heater-')}")
                process.stdin.write("\n")
                process.stdin.flush()
        stdout = process.stdout.read()
        process.wait()
    finally:
        timer.cancel()
        process.kill()
        process.wait()
    screen = "".join(screen)
    if not stdout:
        raise AssertionError(f"{' '.join(command)}: no document\n{screen}")
    return process.returncode, json.loads(stdout), screen
