// The published JSON Schema and the reader must say the same. Compares three things: the keys (which exist,
// which are required), good files (both accept) and bad files (folder bad/structure: both refuse; bad/meaning:
// well formed by the schema, refused by the reader's checks; bad/text: what no schema can see).
// The validator is ajv with ajv-formats, written by others.
//   node schema_agrees.mjs CONFIG_NORMALISE NODE_MODULES [EACH]
// EACH: of the changed documents the reader is given every so many, where it is slow; otherwise all.
import { execFileSync, spawnSync } from "node:child_process";
import { existsSync, readFileSync, readdirSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";

const [normalise, modules] = process.argv.slice(2, 4).map((name) => path.resolve(name));
const each = Number(process.argv[4] ?? 1);
const source = process.env.TAUTGATE_SOURCE_DIR;
if (!normalise || !modules || !source || !(Number.isInteger(each) && each >= 1)) {
    console.error("usage: TAUTGATE_SOURCE_DIR=... node schema_agrees.mjs CONFIG_NORMALISE NODE_MODULES [EACH]");
    process.exit(2);
}
if (!existsSync(path.join(modules, "ajv"))) {
    console.error(`ajv is not installed in ${modules}; run tools/setup`);
    process.exit(2);
}
const require = createRequire(path.join(modules, "from-here.js"));
const Ajv = require("ajv/dist/2020").default;
const addFormats = require("ajv-formats").default;

let checks = 0;
const failures = [];
function check(good, message) {
    checks += 1;
    if (!good) failures.push(message);
}

const schema = JSON.parse(readFileSync(path.join(source, "config/schema/station.schema.json"), "utf8"));
const ajv = addFormats(new Ajv({ strict: true, strictRequired: false }));
check(ajv.validateSchema(schema), `the schema is no valid 2020-12 schema: ${ajv.errorsText()}`);
const validate = ajv.compile(schema);

// ---- keys
function resolve(node) {
    return node.$ref ? schema.$defs[node.$ref.replace("#/$defs/", "")] : node;
}
function keysOf(node, at, keys) {
    const here = resolve(node);
    for (const one of here.anyOf ?? []) if (one.type === "object") keysOf(one, at, keys); // text, or an object
    if (here.type === "array") keysOf(here.items, `${at}/*`, keys);
    if (here.type !== "object") return keys;
    check(here.additionalProperties === false, `${at}: the schema lets unknown keys pass`);
    check("comments" in here.properties, `${at}: the schema does not allow comments`);
    for (const [name, value] of Object.entries(here.properties)) {
        if (name === "comments") continue;
        keys.push(`${at}/${name} ${here.required.includes(name) ? "required" : "optional"}`);
        keysOf(value, `${at}/${name}`, keys);
        check("description" in value || "description" in resolve(value), `${at}/${name}: no description`);
    }
    return keys;
}
const schemaKeys = new Set(keysOf(schema, "", []));
const readerKeys = new Set(execFileSync(normalise, ["--keys"], { encoding: "utf8" }).trim().split("\n"));
for (const key of readerKeys) check(schemaKeys.has(key), `the reader knows "${key}", the schema does not`);
for (const key of schemaKeys) check(readerKeys.has(key), `the schema knows "${key}", the reader does not`);

// ---- files
function schemaAccepts(file) {
    return validate(JSON.parse(execFileSync(normalise, [file], { encoding: "utf8" })));
}
function reader(file) {
    const run = spawnSync(normalise, ["--read", file], { encoding: "utf8" });
    return { accepts: run.status === 0, words: run.stdout };
}
function files(folder, least) {
    const names = readdirSync(path.join(source, folder)).filter((name) => name.endsWith(".json"));
    check(names.length >= least, `${folder} has ${names.length} files, expected at least ${least}`);
    return names.map((name) => path.join(source, folder, name));
}
for (const file of [...files("config", 1), ...files("config/examples", 1), ...files("tests/unit/config/good", 1)]) {
    check(schemaAccepts(file), `${file}: refused by the schema: ${ajv.errorsText(validate.errors)}`);
    const read = reader(file);
    // What coils do not carry is said of every station that has them, and of inputs for them at another bay, that they are;
    // so is what frames of tools do not detect.
    const told = /: warning: \/(bays\/\d+\/controller\/coils: |io\/0\/inputs\/[34]: |joints\/\d+\/tools\/\d+: .* does not detect delay)/;
    const words = read.words.split("\n").filter((line) => !told.test(line)).join("\n");
    check(read.accepts && words === "", `${file}: the reader finds\n${words}`);
}
for (const file of files("tests/unit/config/bad/structure", 10)) {
    check(!schemaAccepts(file), `${file}: accepted by the schema`);
    check(!reader(file).accepts, `${file}: accepted by the reader`);
}
for (const file of files("tests/unit/config/bad/meaning", 5)) {
    check(schemaAccepts(file), `${file}: refused by the schema: ${ajv.errorsText(validate.errors)}`);
    check(!reader(file).accepts, `${file}: accepted by the reader`);
}
for (const file of files("tests/unit/config/bad/text", 2)) check(!reader(file).accepts, `${file}: accepted by the reader`);

// ---- every value of the file with every key, changed one at a time: both must draw the line at the same place
const borderTexts = ["", "a b", "-a", "a-", "a".repeat(64), "a".repeat(65), "x".repeat(200), "x".repeat(201), "ü".repeat(200),
    "y".repeat(1001), "line\nbreak", "24:00", "23:59", "7:00", "127.0.0.1", "127.0.0.256", "::1", "::1::", "monday", "Monday"];
function borders(here) {
    const out = [null, [], {}, true, -1, 0, 0.5, 1e12, ...borderTexts];
    if ("minimum" in here) out.push(here.minimum, here.minimum - 1);
    if ("maximum" in here && here.maximum < 2 ** 53) out.push(here.maximum, here.maximum + 1);
    if (here.enum) out.push(...here.enum, `${here.enum[0]}x`, here.enum[0].toUpperCase());
    return out;
}
const everyKey = JSON.parse(execFileSync(normalise, [path.join(source, "config/examples/every-key.json")], { encoding: "utf8" }));
const batch = []; // { what, line, schemaGood }
const tried = { all: 0, good: 0 };
function ask() {
    const answers = execFileSync(normalise, ["--lines"], {
        input: batch.map((one) => one.line).join("\n") + "\n", encoding: "utf8", maxBuffer: 1 << 28,
    }).trim().split("\n");
    check(answers.length === batch.length, `${batch.length} documents asked, ${answers.length} answered`);
    batch.forEach(({ what, schemaGood }, index) =>
        check(schemaGood === (answers[index] === "good"), `${what}: the schema ${schemaGood ? "accepts" : "refuses"}, the reader says ${answers[index]}`));
    tried.all += batch.length;
    tried.good += answers.filter((answer) => answer === "good").length;
    batch.length = 0;
}
let changes = 0;
function judge(what) {
    if (changes++ % each !== 0) return;
    batch.push({ what, line: JSON.stringify(everyKey), schemaGood: validate(everyKey) });
    if (batch.length === 2000) ask();
}
function withValue(owner, key, value, what) {
    const before = owner[key];
    owner[key] = value;
    judge(what);
    owner[key] = before;
}
function vary(owner, key, node, at) {
    const value = owner[key];
    const whole = resolve(node);
    const kinds = (whole.anyOf ?? []).filter((one) => one.type === "object");
    const here = kinds.length > 0 && typeof value === "object" ? kinds[0] : whole;
    if (Array.isArray(value)) {
        for (const count of [0, here.minItems, here.minItems - 1, here.maxItems, here.maxItems + 1])
            if (count >= 0) withValue(owner, key, new Array(count).fill(value[0]), `${at} with ${count} values`);
        if (value.length > 0) vary(value, 0, here.items, `${at}/0`);
        if (here.items.$ref === "#/$defs/step" || ["/tools", "/tickets"].includes(at)) value.forEach((_, index) => vary(value, index, here.items, `${at}/${index}`));
        // One at a time, so that the documents stay small.
        if (at === "/profiles")
            value.filter((one) => one.frames).forEach((one) => {
                owner[key] = [one];
                vary(owner[key], 0, here.items, `${at}/${one.id}`);
                owner[key] = value;
            });
    } else if (here.type === "object") {
        for (const name of Object.keys(value)) {
            if (name === "comments") continue;
            const before = value[name];
            delete value[name];
            judge(`${at} without ${name}`);
            value[name] = before;
            vary(value, name, here.properties[name], `${at}/${name}`);
        }
        withValue(value, "unheard_of", 1, `${at} with an unknown key`);
        delete value.unheard_of;
        for (const other of [null, [], 1, "x"]) withValue(owner, key, other, `${at} = ${JSON.stringify(other)}`);
    } else {
        for (const other of borders(here)) withValue(owner, key, other, `${at} = ${JSON.stringify(other).slice(0, 40)}`);
    }
}
vary({ "": everyKey }, "", schema, "");
if (batch.length > 0) ask();
check(tried.all > 4000 / each, `only ${tried.all} changes were tried`);
check(tried.good > 0 && tried.good < tried.all, "the changes were all good or all bad");

console.log(`${checks} checks, ${failures.length} failed`);
for (const failure of failures) console.error(failure);
process.exit(failures.length === 0 ? 0 : 1);
