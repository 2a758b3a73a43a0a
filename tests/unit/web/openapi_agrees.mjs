// The description of the API and the API must say the same: every route is described and every description has
// a route; every method of every path is asked; every answer has a described status and fits its schema; every
// request that was taken fits the schema of its body; every status that only the API can give is seen.
// The validator is ajv with ajv-formats, written by others.
//   node openapi_agrees.mjs WEB_ANSWERS NODE_MODULES
import { spawnSync } from "node:child_process";
import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";

const [answers, modules] = process.argv.slice(2).map((name) => path.resolve(name));
const source = process.env.TAUTGATE_SOURCE_DIR;
if (!answers || !modules || !source) {
    console.error("usage: TAUTGATE_SOURCE_DIR=... node openapi_agrees.mjs WEB_ANSWERS NODE_MODULES");
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
function same(found, expected, what) {
    const [a, b] = [found, expected].map((list) => [...list].sort().join(" "));
    check(a === b, `${what}: described [${a}], in the code [${b}]`);
}

const description = JSON.parse(readFileSync(path.join(source, "service/web/openapi.json"), "utf8"));
const ajv = addFormats(new Ajv({ strict: true, strictTypes: false, allErrors: true }));
ajv.addKeyword("components");
ajv.addSchema({ $id: "api", components: description.components });
// OpenAPI 3.1 schemas are JSON Schema 2020-12; only the references need the document's name.
const validators = new Map();
function validator(schema) {
    const text = JSON.stringify(schema).replaceAll('"#/components', '"api#/components');
    if (!validators.has(text)) validators.set(text, ajv.compile(JSON.parse(text)));
    return validators.get(text);
}
function fits(schema, value, what) {
    const validate = validator(schema);
    check(validate(value), `${what}: ${ajv.errorsText(validate.errors, { separator: "; " })}`);
}

const run = spawnSync(answers, ["every route answers"], { encoding: "utf8", maxBuffer: 64 << 20 });
check(run.status === 0, `${answers} ended with ${run.status}: ${run.stderr}${run.stdout.slice(-2000)}`);
const lines = run.stdout.split("\n").filter((line) => line.startsWith("{")).map((line) => JSON.parse(line));
const [known, ...exchanges] = lines;

// ---- names
const schemas = description.components.schemas;
same(schemas.Role.enum, known.roles, "roles");
same(Object.keys(schemas.Action.properties), known.actions, "actions");
same(schemas.Proposal.properties.action.enum, known.actions, "actions of proposals");
same(schemas.Reason.properties.code.enum, known.reasons, "reason codes");
same(schemas.Tool.properties.link.enum, known.qualities, "qualities");

// ---- routes
const described = Object.entries(description.paths).flatMap(([where, methods]) =>
    Object.keys(methods).map((method) => `${method.toUpperCase()} ${where}`));
same(described, known.routes.map(({ method, path: where }) => `${method} ${where}`), "routes");
for (const [where, methods] of Object.entries(description.paths))
    for (const [method, operation] of Object.entries(methods)) {
        const inPath = [...where.matchAll(/\{(\w+)\}/g)].map((match) => match[1]);
        const named = (operation.parameters ?? []).filter((p) => p.in === "path").map((p) => p.name);
        same(named, inPath, `parameters of ${method} ${where}`);
    }

// ---- answers
const seen = new Map();
for (const exchange of exchanges) {
    const { route, method, target, status } = exchange;
    const what = `${method} ${target} -> ${status}`;
    const operation = description.paths[route]?.[method.toLowerCase()];
    if (!operation) {
        check(false, `${what}: ${route} is not described`);
        continue;
    }
    const key = `${method} ${route}`;
    seen.set(key, (seen.get(key) ?? new Set()).add(status));
    const response = operation.responses[status];
    check(response, `${what}: the status is not described`);
    const content = response?.content?.[exchange.content_type];
    check(content, `${what}: ${exchange.content_type} is not described`);
    if (!content) continue;
    const parts = exchange.content_type === "application/x-ndjson" ? exchange.body.split("\n").slice(0, -1) : [exchange.body];
    const isCsv = exchange.content_type === "text/csv";
    for (const part of parts) fits(content.schema, isCsv ? part : JSON.parse(part), what);
    if (method === "POST" && status < 300 && !isCsv)
        fits(operation.requestBody.content["application/json"].schema, JSON.parse(exchange.request), `body of ${what}`);
}
for (const key of described) {
    const [method, where] = key.split(" ");
    const responses = description.paths[where][method.toLowerCase()].responses;
    const good = Object.keys(responses).filter((status) => status < 300);
    for (const status of good) check(seen.get(key)?.has(Number(status)), `${key} was never answered with ${status}`);
}

for (const failure of failures) console.error(failure);
console.log(`the description agrees: ${exchanges.length} answers, ${checks} checks, ${failures.length} faults`);
process.exit(failures.length === 0 ? 0 : 1);
