"""The table of local times in tests/files is what zoneinfo says, so that the reader tested with it is held against zoneinfo."""
import unittest

from local_times import FILE, table


class LocalTimes(unittest.TestCase):
    def test_the_table_is_zoneinfo_s(self):
        self.assertEqual(FILE.read_text(), table())


if __name__ == "__main__":
    unittest.main()
