"""Each check of the house is shown a small house with one fault in it, and must find that fault and no other."""

import json
import os
import pathlib
import subprocess
import sys
import tempfile
import unittest

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[2]

SOUND = {
    "protocol/torque.hpp": "// A torque.\n#pragma once\n\nint torque();\n",
    "config/limits.hpp": '// Limits.\n#pragma once\n\n#include "protocol/torque.hpp"\n',
    "service/interlock/decide.cpp": '#include "config/limits.hpp"\n',
    "service/journal/record.hpp": "// A record.\n#pragma once\n",
    "service/journal/reader.hpp": '// Reads.\n#pragma once\n\n#include "service/journal/record.hpp"\n',
    "service/journal/writer.hpp": "// Writes.\n#pragma once\n",
    "service/history/history.hpp": "// History.\n#pragma once\n",
    "service/people/people.hpp": "// People.\n#pragma once\n",
    "tools/follow.cpp": '#include "service/journal/reader.hpp"\n#include "service/journal/record.hpp"\n'
                        '#include "version.hpp"\n',
}


class House(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory()
        self.addCleanup(self.folder.cleanup)
        self.tree = pathlib.Path(self.folder.name)
        for name in (".clang-format", ".clang-tidy"):
            (self.tree / name).write_text((ROOT / name).read_text())
        for name, text in SOUND.items():
            self.put(name, text)

    def put(self, name, text):
        path = self.tree / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def check(self, script):
        environment = {**os.environ, "TAUTGATE_SOURCE_DIR": str(self.tree), "TAUTGATE_BUILD_DIR": str(self.tree / "build")}
        return subprocess.run([sys.executable, str(HERE / script)], env=environment, capture_output=True, text=True)

    def assert_sound(self, script):
        run = self.check(script)
        self.assertEqual(run.returncode, 0, run.stdout + run.stderr)
        self.assertIn(" 0 faults", run.stdout)

    def assert_fault(self, script, *words):
        run = self.check(script)
        self.assertEqual(run.returncode, 1, run.stdout + run.stderr)
        self.assertIn(" 1 faults", run.stdout)
        for word in words:
            self.assertIn(word, run.stdout)


class Arrows(House):
    def test_a_sound_house_has_no_fault(self):
        self.assert_sound("arrows_hold.py")

    def test_a_lower_folder_must_not_include_a_higher_one(self):
        self.put("protocol/frame.cpp", '#include "config/limits.hpp"\n')
        self.assert_fault("arrows_hold.py", "protocol/frame.cpp:1", "wrong way")

    def test_folders_of_equal_rank_do_not_know_each_other(self):
        self.put("service/people/roster.cpp", '#include "service/history/history.hpp"\n')
        self.assert_fault("arrows_hold.py", "service/people/roster.cpp:1", "wrong way")

    def test_a_tool_must_not_include_the_inside_of_the_service(self):
        self.put("tools/cheat.cpp", '#include "service/people/people.hpp"\n')
        self.assert_fault("arrows_hold.py", "tools/cheat.cpp:1")

    def test_a_tool_reads_the_journal_but_does_not_write_it(self):
        self.put("tools/cheat.cpp", '#include "service/journal/writer.hpp"\n')
        self.assert_fault("arrows_hold.py", "tools/cheat.cpp:1", "writer.hpp")

    def test_code_does_not_include_tests(self):
        self.put("tests/unit/fake.hpp", "// A fake.\n#pragma once\n")
        self.put("service/station/main.cpp", '#include "tests/unit/fake.hpp"\n')
        self.assert_fault("arrows_hold.py", "service/station/main.cpp:1")

    def test_an_include_of_ours_names_a_file_from_the_root(self):
        self.put("config/parse.cpp", '#include "limits.hpp"\n')
        self.assert_fault("arrows_hold.py", "config/parse.cpp:1", "no file of this tree")

    def test_a_source_lies_in_a_folder_of_the_architecture(self):
        self.put("misc/helpers.cpp", "\n")
        self.assert_fault("arrows_hold.py", "misc/helpers.cpp", "no folder of the architecture")

    def test_the_version_reaches_the_rules_only_as_a_value(self):
        self.put("service/journal/stamp.cpp", '#include "version.hpp"\n')
        self.assert_fault("arrows_hold.py", "service/journal/stamp.cpp:1", "version.hpp")

    def test_the_rules_include_no_socket_database_or_logger(self):
        for name in ("boost/asio.hpp", "boost/asio/ip/tcp.hpp", "modbus/modbus.h", "SQLiteCpp/Database.h", "sqlite3.h",
                     "spdlog/spdlog.h", "fstream", "thread"):
            with self.subTest(name):
                self.put("service/interlock/impure.cpp", f"#include <{name}>\n")
                self.assert_fault("arrows_hold.py", "service/interlock/impure.cpp:1", name)

    def test_the_rules_reach_no_socket_through_another_header(self):
        self.put("config/socket.hpp", "// A socket.\n#pragma once\n\n#include <boost/asio/ip/tcp.hpp>\n")
        self.put("service/evaluation/impure.cpp", '#include "config/socket.hpp"\n')
        self.assert_fault("arrows_hold.py", "service/evaluation/impure.cpp", "through config/socket.hpp")

    def test_the_rules_ask_no_clock(self):
        self.put("service/interlock/impure.cpp", "auto t = std::chrono::steady_clock::now();\n")
        self.assert_fault("arrows_hold.py", "service/interlock/impure.cpp:1", "asks the world")

    def test_a_header_brings_no_names_to_everybody(self):
        self.put("config/wide.hpp", "// Wide.\n#pragma once\n\n#include <string>\n\nusing namespace std;\n")
        self.assert_fault("arrows_hold.py", "config/wide.hpp:6", "write them out")

    def test_a_clock_in_a_comment_is_no_fault(self):
        self.put("service/interlock/pure.cpp", "// never steady_clock::now() here\n")
        self.assert_sound("arrows_hold.py")

    def test_an_empty_house_is_not_a_sound_one(self):
        for name in SOUND:
            (self.tree / name).unlink()
        self.assertNotEqual(self.check("arrows_hold.py").returncode, 0)


class Format(House):
    def setUp(self):
        super().setUp()
        self.put("tools/follow.cpp", "int main() { return 0; }\n")

    def test_a_sound_house_has_no_fault(self):
        self.assert_sound("format_holds.py")

    def test_a_file_written_otherwise_is_found(self):
        self.put("protocol/frame.cpp", "int  frame( );\n")
        self.assert_fault("format_holds.py", "protocol/frame.cpp:1")

    def test_a_header_without_introduction_is_found(self):
        self.put("protocol/frame.hpp", "#pragma once\n")
        self.assert_fault("format_holds.py", "protocol/frame.hpp:1", "introduces")

    def test_a_header_without_guard_is_found(self):
        self.put("protocol/frame.hpp", "// A frame.\nint frame();\n")
        self.assert_fault("format_holds.py", "protocol/frame.hpp:1", "#pragma once")


class Words(House):
    def test_a_sound_house_has_no_fault(self):
        self.assert_sound("words_hold.py")

    def test_each_forbidden_word_is_found(self):
        for word in ("/wor" "k/main", "/tm" "p/brief/x", "deb.debian." "org", "registry.npmjs." "org", "TO" "DO"):
            with self.subTest(word):
                self.put("README.md", f"first\nsee {word}\n")
                self.assert_fault("words_hold.py", "README.md:2")


@unittest.skipIf(os.environ.get("TAUTGATE_SKIP_TIDY"), "clang-tidy is not part of this run")
class Tidy(House):
    def compile_as(self, text):
        self.put("protocol/frame.cpp", text)
        file = str(self.tree / "protocol/frame.cpp")
        self.put("build/compile_commands.json", json.dumps([{
            "directory": str(self.tree), "file": file,
            "command": f"env X=1 ccache g++ -I{self.tree} -std=c++23 -include {self.tree}/build/cmake_pch.hxx "
                       f"-fpch-preprocess -o frame.o -c {file}"}]))

    def test_a_sound_source_has_no_fault_and_is_not_read_twice(self):
        self.compile_as("#include <expected>\n\nstd::expected<int, int> frame() { return 1; }\n")
        self.assert_sound("tidy_holds.py")
        self.assertIn("1 of 1 readings were unchanged", self.check("tidy_holds.py").stdout)

    def join(self, folder, *sources):
        joined = self.tree / "build" / folder / "CMakeFiles/frame_target.dir/Unity/unity_0_cxx.cxx"
        self.put(joined.relative_to(self.tree).as_posix(),
                 "".join(f'#include "{self.tree}/{folder}/{source}"\n' for source in sources))
        self.put("build/compile_commands.json", json.dumps([{
            "directory": str(self.tree), "file": str(joined),
            "command": f"g++ -I{self.tree} -std=c++23 -o frame.o -c {joined}"}]))

    def test_a_wrong_name_is_found_in_each_of_the_joined_sources(self):
        self.put("protocol/frame.cpp", "int frame() { return 1; }\n")
        self.put("protocol/torque.cpp", "int ReadTorque() { return 1; }\n")
        self.join("protocol", "frame.cpp", "torque.cpp")
        self.assert_fault("tidy_holds.py", "ReadTorque")

    def test_joined_sources_are_read_by_the_rules_of_their_folder(self):
        self.put("tests/.clang-tidy", "InheritParentConfig: true\nChecks: '-readability-identifier-naming'\n")
        self.put("tests/frame.cpp", "int ReadFrame() { return 1; }\n")
        self.put("tests/torque.cpp", "int torque() { return 1; }\n")
        self.join("tests", "frame.cpp", "torque.cpp")
        self.assert_sound("tidy_holds.py")
        self.put("tests/torque.cpp", "int torque() { goto end; end: return 1; }\n")
        self.assert_fault("tidy_holds.py", "cppcoreguidelines-avoid-goto")

    def test_a_wrong_name_is_found_and_found_again(self):
        self.compile_as("int ReadFrame() { return 1; }\n")
        self.assert_fault("tidy_holds.py", "readability-identifier-naming")
        self.assert_fault("tidy_holds.py", "readability-identifier-naming")

    def test_a_changed_header_makes_its_source_be_read_again(self):
        self.put("protocol/torque.hpp", "// A torque.\n#pragma once\n\nint torque();\n")
        self.compile_as('#include "protocol/torque.hpp"\n\nint frame() { return torque(); }\n')
        self.assert_sound("tidy_holds.py")
        self.put("protocol/torque.hpp", "// A torque.\n#pragma once\n\nint torque();\nint WrongName();\n")
        self.assert_fault("tidy_holds.py", "WrongName")

    def test_a_source_that_leans_on_the_precompiled_header_is_found(self):
        self.compile_as("std::size_t frame() { return 1; }\n")
        self.assert_fault("tidy_holds.py", "std")


if __name__ == "__main__":
    unittest.main(verbosity=2)
