// A Modbus peer that nobody here wrote: one end of a line on the npm package modbus-serial or jsmodbus. It knows
// nothing of permissives; whoever started it says what to read and to write, one JSON object a line, and gets one line
// for each.
//
//   node npm_peer.mjs NODE_MODULES PACKAGE client PORT
//     {"read": [address, count]}    -> {"words": [...]}
//     {"write": [address, words]}   -> {"done": true}
//   node npm_peer.mjs NODE_MODULES PACKAGE server PORT     holding registers, of unit 1
//     {"look": [address, count]}    -> {"words": [...]}    what stands in the registers
//     {"put": [address, words]}     -> {"done": true}
//
// What fails is answered with {"failed": why}. Ends when its input does.
import { once } from "node:events";
import { existsSync } from "node:fs";
import { createRequire } from "node:module";
import net from "node:net";
import path from "node:path";
import readline from "node:readline";

const [modules, name, end, port] = process.argv.slice(2);
const HOST = "127.0.0.1";
const UNIT = 1;
const REGISTERS = 1024;
const PATIENCE_MS = 5000;

if (!existsSync(path.join(modules, name))) {
    console.error(`${name} is not installed in ${modules}; run tools/setup`);
    process.exit(2);
}
const library = createRequire(path.join(path.resolve(modules), "from-here.js"))(name);

const clients = {
    async "modbus-serial"() {
        const client = new library.default();
        await client.connectTCP(HOST, { port: Number(port) });
        client.setID(UNIT);
        client.setTimeout(PATIENCE_MS);
        return {
            read: async (address, count) => (await client.readHoldingRegisters(address, count)).data,
            write: (address, words) => client.writeRegisters(address, words),
        };
    },
    async jsmodbus() {
        const socket = net.connect(Number(port), HOST);
        const client = new library.client.TCP(socket, UNIT, PATIENCE_MS);
        await once(socket, "connect");
        return {
            read: async (address, count) =>
                Array.from((await client.readHoldingRegisters(address, count)).response.body.valuesAsArray),
            write: (address, words) => client.writeMultipleRegisters(address, words),
        };
    },
};

const servers = {
    async "modbus-serial"() {
        const registers = new Uint16Array(REGISTERS);
        const server = new library.ServerTCP(
            {
                getMultipleHoldingRegisters: (address, count) => Array.from(registers.slice(address, address + count)),
                setRegisterArray: (address, words) => registers.set(words, address),
            },
            { host: HOST, port: Number(port), unitID: UNIT },
        );
        await once(server, "initialized");
        return {
            look: (address, count) => Array.from(registers.slice(address, address + count)),
            put: (address, words) => registers.set(words, address),
        };
    },
    async jsmodbus() {
        const listener = net.createServer();
        const server = new library.server.TCP(listener, { holding: Buffer.alloc(2 * REGISTERS) });
        listener.listen(Number(port), HOST);
        await once(listener, "listening");
        const look = (address, count) =>
            Array.from({ length: count }, (_, at) => server.holding.readUInt16BE(2 * (address + at)));
        const put = (address, words) =>
            words.forEach((word, at) => server.holding.writeUInt16BE(word, 2 * (address + at)));
        return { look, put };
    },
};

const peer = await { client: clients, server: servers }[end][name]();
console.log(JSON.stringify({ ready: true }));
for await (const line of readline.createInterface({ input: process.stdin })) {
    const [[ask, operands]] = Object.entries(JSON.parse(line));
    try {
        const answer = await peer[ask](...operands);
        console.log(JSON.stringify(ask === "read" || ask === "look" ? { words: answer } : { done: true }));
    } catch (error) {
        console.log(JSON.stringify({ failed: String(error?.message ?? error) }));
    }
}
process.exit(0);
