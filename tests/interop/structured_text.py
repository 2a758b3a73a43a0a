"""Runs the part of Structured Text (IEC 61131-3, third edition) that deploy/plc is written in, for the tests: a
translator into Python. No Structured Text compiler is packaged for the systems that the tests run on.

It is stricter than most PLCs, so that what it runs means the same on any: every operand has the type that the
operation asks for, nothing is converted unasked, a sum beyond its type's range and an index beyond its array end the
run, both sides of an AND are always evaluated, inputs and constants are never assigned. What it does not know, it
refuses. The meaning of the language is taken from the standard from memory.
"""

import re
from dataclasses import dataclass, field


class Refused(Exception):
    """The text is not of the part of the language that is known here, or breaks its rules."""


class RunFault(Exception):
    """What the standard calls an error of the running program."""


# ---- types ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plain:
    name: str
    low: int = 0
    high: int = 0
    initial: object = 0


@dataclass(frozen=True)
class Array:
    low: int
    high: int
    of: object

    @property
    def name(self):
        return f"ARRAY [{self.low}..{self.high}] OF {self.of.name}"


@dataclass(frozen=True, eq=False)
class Structure:
    name: str
    fields: dict  # name -> (type, text of the initial value in Python or None)


BOOL = Plain("BOOL", initial=False)
BITS = {"WORD": Plain("WORD", 0, 0xFFFF), "DWORD": Plain("DWORD", 0, 0xFFFFFFFF)}
NUMBERS = {"INT": Plain("INT", -0x8000, 0x7FFF), "UINT": Plain("UINT", 0, 0xFFFF),
           "UDINT": Plain("UDINT", 0, 0xFFFFFFFF)}
TIME = Plain("TIME", 0, 0x7FFFFFFF)  # milliseconds
ANY_INT = Plain("number without a type")  # of a literal, until its neighbour says which
PLAIN = {"BOOL": BOOL, "TIME": TIME, **BITS, **NUMBERS}

# Only those that keep the value; the standard cuts or extends bit strings at the high end.
CONVERSIONS = {"WORD_TO_UINT", "UINT_TO_WORD", "WORD_TO_DWORD", "DWORD_TO_WORD", "UINT_TO_UDINT", "UDINT_TO_UINT",
               "BOOL_TO_WORD"}


@dataclass
class Variable:
    type: object
    section: str  # INPUT, OUTPUT, IN_OUT, VAR, CONSTANT, RETAIN
    initial: str | None  # in Python


@dataclass
class Part:
    """A function, a function block or a program."""

    kind: str
    name: str
    result: object = None  # of a function
    variables: dict = field(default_factory=dict)
    run: object = None     # the translated body

    def of_section(self, *sections):
        return {name: one for name, one in self.variables.items() if one.section in sections}


TIMER = Part("FUNCTION_BLOCK", "TON", variables={
    "IN": Variable(BOOL, "INPUT", None), "PT": Variable(TIME, "INPUT", None),
    "Q": Variable(BOOL, "OUTPUT", None), "ET": Variable(TIME, "OUTPUT", None),
    "SINCE": Variable(TIME, "VAR", "None")})


def on_delay(timer, run):
    """TON: Q is true once IN has been true for PT; ET is the time so far, PT at most."""
    if not timer.v_IN:
        timer.v_SINCE, timer.v_Q, timer.v_ET = None, False, 0
        return
    if timer.v_SINCE is None:
        timer.v_SINCE = run.now_ms
    timer.v_ET = min(run.now_ms - timer.v_SINCE, timer.v_PT)
    timer.v_Q = timer.v_ET >= timer.v_PT


TIMER.run = on_delay


# ---- values while running -------------------------------------------------------------------------------------------


class Record:
    """A structure, or an instance of a function block or program: its variables as v_NAME."""


def copied(value):
    if isinstance(value, list):
        return [copied(one) for one in value]
    if isinstance(value, Record):
        copy = Record()
        copy.__dict__.update({name: copied(one) for name, one in value.__dict__.items()})
        return copy
    return value


def initial(kind, text=None):
    """A new value of a type; `text` is the initial value where the declaration names one."""
    if text is not None:
        return eval(text)  # a literal that this module translated
    if isinstance(kind, Plain):
        return kind.initial
    if isinstance(kind, Array):
        return [initial(kind.of) for _ in range(kind.high - kind.low + 1)]
    record = Record()
    declared = kind.fields if isinstance(kind, Structure) else \
        {name: (one.type, one.initial) for name, one in kind.variables.items() if one.section != "IN_OUT"}
    for name, (of, value) in declared.items():
        setattr(record, "v_" + name, initial(of, value))
    return record


def place(index, low, high, line):
    if not low <= index <= high:
        raise RunFault(f"line {line}: index {index} is outside {low}..{high}")
    return index - low


def within(value, low, high, line):
    if not low <= value <= high:
        raise RunFault(f"line {line}: {value} is outside {low}..{high}")
    return value


def remainder(dividend, divisor, line):
    if divisor == 0:
        raise RunFault(f"line {line}: MOD by zero")
    return dividend % divisor


# ---- words ----------------------------------------------------------------------------------------------------------

TOKEN = re.compile(r"""
    (?P<blank>\s+|\(\*.*?\*\)|//[^\n]*)
  | (?P<time>T(?:IME)?\#[0-9]+(?:ms|s)\b)
  | (?P<typed>[A-Z]+\#(?:16\#[0-9A-F_]+|2\#[01_]+|-?[0-9_]+|TRUE|FALSE)\b)
  | (?P<number>[0-9][0-9_]*)
  | (?P<name>[A-Z_][A-Z0-9_]*)
  | (?P<sign>:=|=>|<=|>=|<>|\.\.|[-+*/=<>()\[\].,;:&])
""", re.VERBOSE | re.IGNORECASE | re.DOTALL)


@dataclass
class Word:
    kind: str
    text: str
    line: int


def words_of(text):
    words, at, line = [], 0, 1
    while at < len(text):
        match = TOKEN.match(text, at)
        if not match:
            raise Refused(f"line {line}: {text[at:at + 12]!r} is no word of the language")
        if match.lastgroup != "blank":
            words.append(Word(match.lastgroup, match[0].upper(), line))
        line += match[0].count("\n")
        at = match.end()
    words.append(Word("end", "the end of the text", line))
    return words


# ---- translation ----------------------------------------------------------------------------------------------------

SECTIONS = {"VAR_INPUT": "INPUT", "VAR_OUTPUT": "OUTPUT", "VAR_IN_OUT": "IN_OUT", "VAR": "VAR"}
RESERVED = {"IF", "THEN", "ELSIF", "ELSE", "END_IF", "FOR", "TO", "DO", "END_FOR", "AND", "OR", "XOR", "NOT", "MOD",
            "TRUE", "FALSE", "ARRAY", "OF", "STRUCT", "END_STRUCT", "TYPE", "END_TYPE", "END_VAR", *SECTIONS, *PLAIN}
# Weakest first, as in the standard's table of operators.
LEVELS = (("OR",), ("XOR",), ("AND", "&"), ("=", "<>"), ("<", ">", "<=", ">="), ("+", "-"), ("*", "/", "MOD"))


class Translator:
    def __init__(self, program, text):
        self.program = program
        self.words = words_of(text)
        self.at = 0
        self.part = None

    # ---- reading words

    @property
    def word(self):
        return self.words[self.at]

    def refuse(self, what):
        raise Refused(f"line {self.word.line}: {what}")

    def next(self):
        self.at += 1
        return self.words[self.at - 1]

    def is_next(self, *texts):
        return self.word.text in texts

    def take(self, *texts):
        if not self.is_next(*texts):
            return False
        self.at += 1
        return True

    def expect(self, text):
        if not self.take(text):
            self.refuse(f"{text} is missing before {self.word.text}")

    def name(self):
        if self.word.kind != "name" or self.word.text in RESERVED:
            self.refuse(f"{self.word.text} stands where a name should")
        return self.next().text

    def whole(self):
        if self.word.kind != "number":
            self.refuse(f"{self.word.text} stands where a whole number should")
        return int(self.next().text.replace("_", ""))

    # ---- declarations

    def translate(self):
        while self.word.kind != "end":
            if self.take("TYPE"):
                while not self.take("END_TYPE"):
                    self.declare_type()
            elif self.is_next("FUNCTION", "FUNCTION_BLOCK", "PROGRAM"):
                self.translate_part()
            else:
                self.refuse(f"{self.word.text} begins no declaration")

    def declare_type(self):
        name = self.name()
        self.expect(":")
        if self.take("STRUCT"):
            fields = {}
            while not self.take("END_STRUCT"):
                for declared, kind, value in self.declaration():
                    fields[declared] = (kind, value)
            kind = Structure(name, fields)
        else:
            kind = self.type()
        self.expect(";")
        self.program.add_type(name, kind, self.refuse)

    def type(self):
        if self.take("ARRAY"):
            self.expect("[")
            low = self.whole()
            self.expect("..")
            high = self.whole()
            self.expect("]")
            self.expect("OF")
            return Array(low, high, self.type())
        known = PLAIN.get(self.word.text) or self.program.types.get(self.word.text) or \
            self.program.blocks().get(self.word.text)
        if known is None:
            self.refuse(f"there is no type {self.word.text}")
        self.next()
        return known

    def declaration(self):
        names = [self.name()]
        while self.take(","):
            names.append(self.name())
        self.expect(":")
        kind = self.type()
        value = None
        if self.take(":="):
            text, of = self.literal()
            value = self.fitted(text, of, kind)
        self.expect(";")
        return [(name, kind, value) for name in names]

    def translate_part(self):
        kind = self.next().text
        self.part = Part(kind, self.name())
        if kind == "FUNCTION":
            self.expect(":")
            self.part.result = self.type()
        while self.word.text in SECTIONS:
            self.declare_section()
        body = self.statements("END_" + kind, 1)
        self.expect("END_" + kind)
        self.program.add_part(self.part, body, self.refuse)

    def declare_section(self):
        section = SECTIONS[self.next().text]
        for qualifier in ("CONSTANT", "RETAIN"):
            if self.is_next(qualifier):
                if section != "VAR":
                    self.refuse(f"{qualifier} belongs to VAR only")
                section = self.next().text
        if section == "RETAIN" and self.part.kind != "PROGRAM":
            self.refuse("only a program keeps retentive variables here")
        while not self.take("END_VAR"):
            for name, kind, value in self.declaration():
                if name in self.part.variables or name == self.part.name:
                    self.refuse(f"{name} is declared twice")
                if section == "CONSTANT" and value is None:
                    self.refuse(f"constant {name} has no value")
                self.part.variables[name] = Variable(kind, section, value)

    # ---- statements; the result is Python, indented

    def statements(self, *ends_and_depth):
        *ends, depth = ends_and_depth
        lines = []
        while not self.is_next(*ends):
            lines += self.statement(depth)
        return lines or [indented("pass", depth)]

    def statement(self, depth):
        if self.take("IF"):
            return self.choice(depth)
        if self.take("FOR"):
            return self.loop(depth)
        line = self.word.line
        start = self.at
        name = self.name()
        variable = self.part.variables.get(name)
        if variable is not None and isinstance(variable.type, Part) and self.is_next("("):
            return self.call_block(name, variable.type, depth)
        self.at = start
        target, kind = self.path(assigned=True)
        self.expect(":=")
        value, of = self.expression()
        self.expect(";")
        value = self.fitted(value, of, kind)
        return [indented(f"{target} = {value if isinstance(kind, Plain) else f'copied({value})'}  # {line}", depth)]

    def condition(self):
        text, kind = self.expression()
        if kind is not BOOL:
            self.refuse(f"a condition is BOOL, not {kind.name}")
        return text

    def choice(self, depth):
        lines = [indented(f"if {self.condition()}:", depth)]
        self.expect("THEN")
        lines += self.statements("ELSIF", "ELSE", "END_IF", depth + 1)
        while self.take("ELSIF"):
            lines.append(indented(f"elif {self.condition()}:", depth))
            self.expect("THEN")
            lines += self.statements("ELSIF", "ELSE", "END_IF", depth + 1)
        if self.take("ELSE"):
            lines.append(indented("else:", depth))
            lines += self.statements("END_IF", depth + 1)
        self.expect("END_IF")
        self.expect(";")
        return lines

    def loop(self, depth):
        counter, kind = self.path(assigned=True)
        if kind not in NUMBERS.values():
            self.refuse(f"a loop counts in whole numbers, not in {kind.name}")
        self.expect(":=")
        first = self.fitted(*self.expression(), kind)
        self.expect("TO")
        last = self.fitted(*self.expression(), kind)
        self.expect("DO")
        body = self.statements("END_FOR", depth + 1)
        self.expect("END_FOR")
        self.expect(";")
        # What the counter holds after the loop is left to the PLC by the standard: nothing that passes for a number.
        return [indented(f"for {counter} in range({first}, {last} + 1):", depth), *body,
                indented(f"{counter} = None", depth)]

    def call_block(self, name, block, depth):
        inside = "s.v_" + name
        before, after, given = [], [], set()
        self.expect("(")
        while not self.take(")"):
            word = self.name()
            parameter = block.variables.get(word)
            if parameter is None or word in given:
                self.refuse(f"{block.name} takes no {word}, or takes it once")
            given.add(word)
            self.expect(":=")
            if parameter.section == "IN_OUT":
                target, kind = self.path(assigned=True)
                if kind != parameter.type:
                    self.refuse(f"{word} is {parameter.type.name}, not {kind.name}")
                before.append(f"{inside}.v_{word} = {target}")
                after.append(f"{target} = {inside}.v_{word}")
            elif parameter.section == "INPUT":
                value = self.fitted(*self.expression(), parameter.type)
                before.append(f"{inside}.v_{word} = copied({value})")
            else:
                self.refuse(f"{word} is no input of {block.name}")
            if not self.is_next(")"):
                self.expect(",")
        self.expect(";")
        missing = set(block.of_section("IN_OUT")) - given
        if missing:
            self.refuse(f"{block.name} is called without {', '.join(sorted(missing))}")
        return [indented(text, depth)
                for text in (*before, f"run.parts['{block.name}'].run({inside}, run)", *after)]

    # ---- expressions; the result is Python and its type

    def literal(self):
        word = self.next()
        if word.text in ("TRUE", "FALSE"):
            return word.text.capitalize(), BOOL
        if word.kind == "time":
            amount, unit = re.fullmatch(r".*#([0-9]+)(MS|S)", word.text).groups()
            return str(int(amount) * (1 if unit == "MS" else 1000)), TIME
        if word.kind == "typed":
            name, text = word.text.split("#", 1)
            kind = PLAIN.get(name)
            if kind in (None, BOOL, TIME):
                self.refuse(f"{word.text} is no literal that is known here")
            base, digits = text.split("#") if "#" in text else ("10", text)
            return self.in_range(int(digits.replace("_", ""), int(base)), kind), kind
        if word.kind == "number":
            return word.text.replace("_", ""), ANY_INT
        self.at -= 1
        return self.refuse(f"{word.text} is no literal")

    def in_range(self, value, kind):
        if not kind.low <= value <= kind.high:
            self.refuse(f"{value} is no {kind.name}")
        return str(value)

    def fitted(self, text, kind, wanted):
        """The value as one of the wanted type; only a literal without a type may take one on."""
        if kind == wanted:
            return text
        if kind is ANY_INT and wanted in NUMBERS.values():
            return self.in_range(int(text), wanted)
        return self.refuse(f"{kind.name} stands where {wanted.name} should")

    def expression(self, level=0):
        if level == len(LEVELS):
            return self.unary()
        text, kind = self.expression(level + 1)
        while self.word.text in LEVELS[level]:
            line = self.word.line
            operator = self.next().text
            right, of = self.expression(level + 1)
            text, kind = self.combined(operator, (text, kind), (right, of), line)
        return text, kind

    def combined(self, operator, left, right, line):
        kind = right[1] if left[1] is ANY_INT else left[1]
        left, right = self.fitted(*left, kind), self.fitted(*right, kind)
        if operator in ("AND", "&", "OR", "XOR"):
            if kind is not BOOL and kind not in BITS.values():
                self.refuse(f"{operator} combines bits, not {kind.name}")
            sign = {"OR": "|", "XOR": "^"}.get(operator, "&")
            return f"({left} {sign} {right})", kind
        if operator in ("=", "<>", "<", ">", "<=", ">="):
            if not isinstance(kind, Plain) or operator not in ("=", "<>") and kind not in NUMBERS.values():
                self.refuse(f"{operator} does not compare {kind.name}")
            return f"({left} { {'=': '==', '<>': '!='}.get(operator, operator)} {right})", BOOL
        if kind not in NUMBERS.values():
            self.refuse(f"{operator} reckons with numbers, not with {kind.name}")
        if operator == "MOD":
            return f"remainder({left}, {right}, {line})", kind
        if operator == "/":
            self.refuse("division is not known here")
        return f"within({left} {operator} {right}, {kind.low}, {kind.high}, {line})", kind

    def unary(self):
        if not self.take("NOT"):
            return self.primary()
        text, kind = self.unary()
        if kind is BOOL:
            return f"(not {text})", BOOL
        if kind in BITS.values():
            return f"({text} ^ {kind.high})", kind
        return self.refuse(f"NOT inverts bits, not {kind.name}")

    def primary(self):
        if self.take("("):
            text, kind = self.expression()
            self.expect(")")
            return text, kind
        if self.word.kind != "name" or self.word.text in ("TRUE", "FALSE"):
            return self.literal()
        if self.words[self.at + 1].text == "(":
            return self.call_function()
        return self.path(assigned=False)

    def call_function(self):
        name = self.name()
        line = self.word.line
        function = self.program.parts.get(name)
        self.expect("(")
        if function is not None and function.kind == "FUNCTION":
            return self.call_own(function)
        arguments = [self.expression()]
        while self.take(","):
            arguments.append(self.expression())
        self.expect(")")
        if name in ("SHL", "SHR") and len(arguments) == 2:
            (text, kind), (count, of) = arguments
            if kind not in BITS.values() or of is not ANY_INT:
                self.refuse(f"{name} shifts bits by a number, not {kind.name} by {of.name}")
            return (f"({text} >> {count})" if name == "SHR" else f"({text} << {count} & {kind.high})"), kind
        if name in CONVERSIONS and len(arguments) == 1:
            source, target = (PLAIN[part] for part in name.split("_TO_"))
            text = self.fitted(*arguments[0], source)
            if target in BITS.values():
                return f"(int({text}) & {target.high})", target
            return f"within({text}, {target.low}, {target.high}, {line})", target
        return self.refuse(f"there is no function {name} with {len(arguments)} value(s)")

    def call_own(self, function):
        given = {}
        while not self.take(")"):
            word = self.name()
            parameter = function.variables.get(word)
            if parameter is None or parameter.section != "INPUT" or word in given:
                self.refuse(f"{function.name} takes no {word}, or takes it once")
            self.expect(":=")
            given[word] = self.fitted(*self.expression(), parameter.type)
            if not self.is_next(")"):
                self.expect(",")
        wanted = list(function.of_section("INPUT"))
        if set(given) != set(wanted):
            self.refuse(f"{function.name} takes {', '.join(wanted)}")
        return f"run.parts['{function.name}'].run(run, {', '.join(given[word] for word in wanted)})", function.result

    def path(self, assigned):
        """A variable, or a part of one: a.b[c]."""
        name = self.name()
        if self.part.kind == "FUNCTION" and name == self.part.name:
            text, kind = "s.v_" + name, self.part.result
        else:
            variable = self.part.variables.get(name)
            if variable is None:
                self.refuse(f"{name} is not declared in {self.part.name}")
            if assigned and variable.section in ("INPUT", "CONSTANT"):
                self.refuse(f"{name} is an input or a constant and cannot be given a value")
            text, kind = "s.v_" + name, variable.type
        while self.is_next(".", "["):
            line = self.word.line
            if self.take("["):
                if not isinstance(kind, Array):
                    self.refuse(f"{name} is no array")
                index, of = self.expression()
                if of not in NUMBERS.values() and of is not ANY_INT:
                    self.refuse(f"an index is a whole number, not {of.name}")
                self.expect("]")
                text, kind = f"{text}[place({index}, {kind.low}, {kind.high}, {line})]", kind.of
                continue
            self.next()
            part = self.name()
            if isinstance(kind, Structure) and part in kind.fields:
                text, kind = f"{text}.v_{part}", kind.fields[part][0]
            elif isinstance(kind, Part) and part in kind.of_section("OUTPUT") and not assigned:
                text, kind = f"{text}.v_{part}", kind.variables[part].type
            else:
                self.refuse(f"{name} shows no {part}")
        if isinstance(kind, Part):
            self.refuse(f"{name} is an instance and no value")
        return text, kind


def indented(text, depth):
    return "    " * depth + text


# ---- the whole ------------------------------------------------------------------------------------------------------


class Program:
    """Everything that was declared. `now_ms` is the PLC's clock, which the test moves."""

    def __init__(self, *texts):
        self.types = {}
        self.parts = {"TON": TIMER}
        self.now_ms = 0
        for text in texts:
            Translator(self, text).translate()

    def blocks(self):
        return {name: part for name, part in self.parts.items() if part.kind == "FUNCTION_BLOCK"}

    def add_type(self, name, kind, refuse):
        if name in self.types or name in self.parts:
            refuse(f"{name} is declared twice")
        self.types[name] = kind

    def add_part(self, part, body, refuse):
        if part.name in self.types or part.name in self.parts:
            refuse(f"{part.name} is declared twice")
        if part.kind == "FUNCTION":
            inputs = list(part.of_section("INPUT"))
            head = [f"def body(run, {', '.join('i_' + name for name in inputs)}):", indented("s = fresh()", 1),
                    *[indented(f"s.v_{name} = i_{name}", 1) for name in inputs]]
            tail = [indented(f"return s.v_{part.name}", 1)]
        else:
            head, tail = ["def body(s, run):"], []
        names = {"copied": copied, "place": place, "within": within, "remainder": remainder,
                 "fresh": lambda: self._fresh_function(part)}
        exec("\n".join(head + body + tail), names)
        part.run = names["body"]
        self.parts[part.name] = part

    @staticmethod
    def _fresh_function(part):
        values = initial(part)
        setattr(values, "v_" + part.name, initial(part.result))
        return values

    def call(self, name, **inputs):
        """A function with its inputs by name."""
        part = self.parts[name.upper()]
        given = {key.upper(): value for key, value in inputs.items()}
        return part.run(self, *[given[one] for one in part.of_section("INPUT")])

    def instance(self, name, retained=None):
        return Instance(self, self.parts[name.upper()], retained or {})


class Instance:
    """A function block or program as the PLC holds it, between its start and its next one."""

    def __init__(self, program, part, retained):
        self.program = program
        self.part = part
        self.values = initial(part)
        for name, value in retained.items():
            setattr(self.values, "v_" + name, copied(value))

    def scan(self, **given):
        """One call. What is not given keeps its value, as the standard says of inputs."""
        for name, value in given.items():
            if name.upper() not in self.part.of_section("INPUT", "IN_OUT"):
                raise Refused(f"{self.part.name} takes no {name}")
            setattr(self.values, "v_" + name.upper(), value if isinstance(value, Record) else copied(value))
        self.part.run(self.values, self.program)

    def __getitem__(self, name):
        return getattr(self.values, "v_" + name.upper())

    def retained(self):
        """What outlives a start of the program."""
        return {name: copied(self[name]) for name in self.part.of_section("RETAIN")}
