"""Pages for man by a typesetter, completions by a shell that is not ours."""
import pathlib
import re
import subprocess
import tempfile
import unittest

from common import PROGRAM

COMPLETE = """
source /dev/stdin <<< "$(%s manual --completions bash)"
COMP_WORDS=(%s) COMP_CWORD=$(( ${#COMP_WORDS[@]} - 1 ))
_wattward wattward "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD-1]}"
printf '%%s\\n' "${COMPREPLY[@]}"
"""


def completed(*words):
    run = subprocess.run(["bash", "-c", COMPLETE % (PROGRAM, " ".join(words))], capture_output=True, text=True, check=True)
    assert not run.stderr, run.stderr
    return run.stdout.split()


class Manual(unittest.TestCase):
    def test_a_typesetter_finds_nothing_wrong_with_the_pages(self):
        with tempfile.TemporaryDirectory() as folder:
            subprocess.run([PROGRAM, "manual", "--pages", folder], check=True, capture_output=True)
            pages = sorted(pathlib.Path(folder).glob("*.1"))
            self.assertGreater(len(pages), 20)
            for page in pages:
                # -k: the page is UTF-8, as `man` assumes; -ww: every warning there is.
                run = subprocess.run(["groff", "-k", "-man", "-Tutf8", "-ww", page], capture_output=True, text=True, check=True)
                self.assertEqual(run.stderr, "", page.name)
                # Bold is overstruck on a typewriter.
                self.assertIn("DESCRIPTION", re.sub(".\b", "", run.stdout))

    def test_bash_completes_commands_options_and_their_values(self):
        self.assertEqual(completed("wattward", "rep"), ["replay", "report"])
        self.assertIn("--hands-free", completed("wattward", "ct", "--ha"))
        self.assertIn("import", completed("wattward", "profile", "i"))
        self.assertEqual(completed("wattward", "report", "--format", "m"), ["markdown"])


if __name__ == "__main__":
    unittest.main()
