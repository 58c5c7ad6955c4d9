"""The JSON Schemas of docs/ against the parser: an independent validator (jsonschema, Draft 7) must say the same of key names,
types, words and ranges. Valid files are spoilt in one place at random, and both are asked."""
import copy
import datetime
import json
import random
import re
import tomllib
import unittest

import jsonschema
from common import ROOT, folder, wattward

# What a schema can know. A parser's fault of another kind (an overlap, a sum of points that are not there) is none of its business.
STRUCTURE = re.compile(
    r"unknown key|unknown quantity|unknown unit|is no phase|is no value of|is no unit of| is (text|a whole number|a number with "
    r"a decimal point|true or false|a date|a list|a table), not |is \S+, out of its range|is a bare number|"
    r"has no `(stride|rated_W|power_W|profile|line|bit|export_when)`|has no meter|has no points|has no address|leads nowhere|"
    r"goes two ways|has two limits|has no limit|has both `address` and `register`|has no place in a sum| belongs to ")


def toml(value):
    """One value as TOML, tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, (datetime.date, datetime.datetime)):
        return value.isoformat()
    return repr(value)


def file(tree):
    return "".join(f"{json.dumps(key)} = {toml(value)}\n" for key, value in tree.items())


def plain(value):
    """As JSON has it: a date is text."""
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [plain(one) for one in value]
    return value.isoformat() if isinstance(value, (datetime.date, datetime.datetime)) else value


def places(tree):
    """Every table or list in a tree with each of its keys."""
    for key in list(tree) if isinstance(tree, dict) else range(len(tree)):
        yield tree, key
        if isinstance(tree[key], (dict, list)):
            yield from places(tree[key])


WORDS = ["", " ", "import", "holding", "f32", "L1", "kW", "V", "phase", "low-first", "1", "0.5", "active_power.L1", "0x8000"]


def spoil(tree, chance, names):
    """The tree with one change."""
    tree = copy.deepcopy(tree)
    where, key = chance.choice(list(places(tree)))
    value = where[key]
    kind = chance.choice(["rename", "move", "value", "value", "value", "delete", "number"])
    if kind == "rename" and isinstance(where, dict):
        # Two letters changed place, one left out, or a key from elsewhere.
        at = chance.randrange(len(key))
        new = chance.choice([key[:at] + key[at + 1:], key[:at] + key[at:at + 2][::-1] + key[at + 2:], chance.choice(names)])
        del where[key]
        where[new or "x"] = value
    elif kind == "move" and isinstance(where, dict):
        tables = [table for table, name in places(tree) if isinstance(table, dict)]
        chance.choice(tables)[chance.choice(names)] = value if not isinstance(value, (dict, list)) else 1
    elif kind == "number" and isinstance(value, (int, float)) and not isinstance(value, bool):
        where[key] = chance.choice([-value, value * 1000, 0, value + 0.5, 1e12])
        if isinstance(where[key], float) and where[key] == int(where[key]):
            where[key] = int(where[key])
    elif kind == "delete":
        del where[key]
    else:
        where[key] = chance.choice([*WORDS, -1, 0, 1, 3, 70000, 0.5, True, [], [1, 2], [0.5, "a"], {}, {"address": 3}])
    return tree


class Schemas(unittest.TestCase):
    def valid_files(self):
        for path in sorted([*ROOT.glob("profiles/*.toml"), *ROOT.glob("tests/files/*.toml"),
                            *ROOT.glob("tests/files/independent/*.toml"), *ROOT.glob("captures/scenarios/*site.toml")]):
            tree = tomllib.loads(path.read_text())
            kind = "site" if {"site", "meter"} & set(tree) else "profile"
            yield path, kind, tree

    def schema(self, kind):
        schema = json.loads((ROOT / "docs" / f"{kind}.schema.json").read_text())
        jsonschema.Draft7Validator.check_schema(schema)
        return jsonschema.Draft7Validator(schema)

    def names(self, schema):
        """Every key the schema knows."""
        found = set()

        def look(node):
            if isinstance(node, dict):
                found.update(node.get("properties", {}))
                for one in node.values():
                    look(one)
            elif isinstance(node, list):
                for one in node:
                    look(one)
        look(schema)
        return sorted(found)

    def test_files_that_work_are_valid(self):
        seen = {"site": 0, "profile": 0}
        for path, kind, tree in self.valid_files():
            errors = list(self.schema(kind).iter_errors(plain(tree)))
            self.assertEqual(errors, [], path)
            seen[kind] += 1
        self.assertGreater(min(seen.values()), 5)

    def test_validator_and_parser_agree_on_spoilt_files(self):
        chance = random.Random(20260301)
        validators = {kind: self.schema(kind) for kind in ("site", "profile")}
        names = {kind: self.names(validator.schema) for kind, validator in validators.items()}
        files = list(self.valid_files())
        refused = allowed = 0
        with folder() as here:
            trees = {}
            for number in range(3000):
                _, kind, tree = chance.choice(files)
                spoilt = spoil(tree, chance, names[kind])
                # A site's profiles are not looked at here.
                name = f"{number:04}-{kind}.toml"
                trees[name] = kind, spoilt
                (here / name).write_text(file(spoilt))
            told = json.loads(wattward("--json", "profile", "check", *trees, cwd=here).stdout)
            self.assertEqual(len(told["files"]), len(trees))
            for (name, (kind, tree)), told in zip(trees.items(), told["files"]):
                if (kind == "site") != bool({"site", "meter", "plant", "load", "limit"} & set(tree)):
                    continue  # no longer the kind of file it was
                errors = [error.message for error in validators[kind].iter_errors(plain(tree))]
                faults = [fault["message"] for fault in told["faults"]
                          if fault["severity"] == "error" and not fault["message"].startswith("cannot read")]
                structural = [fault for fault in faults if STRUCTURE.search(fault)]
                text = f"{file(tree)}\nschema: {errors}\nparser: {faults}"
                if errors:
                    self.assertTrue(faults, f"the schema refuses what the parser takes:\n{text}")
                    refused += 1
                else:
                    self.assertFalse(structural, f"the schema takes what the parser refuses:\n{text}")
                    allowed += 1
        self.assertGreater(min(refused, allowed), 300)
        print(f"{refused} refused by both, {allowed} valid by the schema", end=" ... ")


if __name__ == "__main__":
    unittest.main()
