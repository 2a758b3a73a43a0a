"""Requests that the daemon's Modbus server must not serve: each gets the exception code of the standard, and none ends
it or keeps others waiting.

Codes and their conditions: MODBUS Application Protocol Specification V1.1b3, section 7 and the state diagrams of
sections 6.3 and 6.12; the frame's head: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
"""

import socket
import struct

import plc
from claims import ask_until, check
from modbus_peers import HOST, mbpoll, shown_registers
from station import Station

from pymodbus.client import ModbusTcpClient
from pymodbus.pdu import ModbusRequest
from pymodbus.register_read_message import ReadHoldingRegistersRequest

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, NO_TARGET = 1, 2, 3, 0x0B


class UserDefined(ModbusRequest):
    """Function 0x41: left to users by the standard (section 5.1), and by us to nobody."""

    function_code = 0x41
    _rtu_frame_size = 8

    def encode(self):
        return b"\x00\x01"


def exchange(port, adu):
    """Bytes that no library would send. Gives what came back until the server closed or answered once."""
    with socket.create_connection((HOST, port), timeout=20) as wire:
        wire.sendall(adu)
        try:
            return wire.recv(260)
        except ConnectionResetError:
            return b""  # closed with bytes of ours still unread


def frame(pdu, protocol=0, length=None, unit=1):
    return struct.pack(">HHHB", 1, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


def still_serves(station, after):
    """The daemon runs, and another master gets a good block."""
    status, text = mbpoll(station.controller["port"], "-t", "4", "-r", "0", "-c", str(plc.BLOCK_WORDS))
    words = shown_registers(text)
    good = station.runs() and status == 0 and len(words) == plc.BLOCK_WORDS and plc.is_sealed(words)
    check(f"after {after} it serves on", good, text)


def refused(answer, function, code):
    return answer.isError() and (answer.function_code, answer.exception_code) == (function | 0x80, code)


def by_pymodbus(station):
    client = ModbusTcpClient(HOST, port=station.controller["port"], timeout=10)
    check("pymodbus connects", client.connect(), "no connection")
    feedback = station.controller["feedback_address"]
    end = 3 * plc.BLOCK_WORDS
    whole = [0] * plc.FEEDBACK_WORDS
    requests = [
        ("reading coils", 0x01, ILLEGAL_FUNCTION, client.read_coils(0, 1, slave=1)),
        ("reading discrete inputs", 0x02, ILLEGAL_FUNCTION, client.read_discrete_inputs(0, 1, slave=1)),
        ("reading input registers", 0x04, ILLEGAL_FUNCTION, client.read_input_registers(0, 1, slave=1)),
        ("writing one coil", 0x05, ILLEGAL_FUNCTION, client.write_coil(0, True, slave=1)),
        ("writing one register", 0x06, ILLEGAL_FUNCTION, client.write_register(feedback, 1, slave=1)),
        ("writing coils", 0x0F, ILLEGAL_FUNCTION, client.write_coils(0, [True] * 8, slave=1)),
        ("a masked write", 0x16, ILLEGAL_FUNCTION, client.mask_write_register(feedback, 0xFF, 0x01, slave=1)),
        ("reading and writing at once", 0x17, ILLEGAL_FUNCTION, client.readwrite_registers(
            read_address=0, read_count=1, write_address=feedback, write_registers=whole, slave=1)),
        ("a function of one's own", 0x41, ILLEGAL_FUNCTION, client.execute(UserDefined(slave=1))),
        ("reading no register", 0x03, ILLEGAL_VALUE, client.execute(ReadHoldingRegistersRequest(0, 0, 1))),
        ("reading 126 registers", 0x03, ILLEGAL_VALUE, client.execute(ReadHoldingRegistersRequest(0, 126, 1))),
        ("reading beyond the permissives", 0x03, ILLEGAL_ADDRESS, client.read_holding_registers(end - 1, 2, slave=1)),
        ("reading at the last address", 0x03, ILLEGAL_ADDRESS, client.read_holding_registers(0xFFFF, 2, slave=1)),
        ("writing a permissive", 0x10, ILLEGAL_ADDRESS, client.write_registers(0, [0] * plc.BLOCK_WORDS, slave=1)),
        ("writing a part of a feedback block", 0x10, ILLEGAL_ADDRESS,
         client.write_registers(feedback, whole[:-1], slave=1)),
        ("writing across two feedback blocks", 0x10, ILLEGAL_ADDRESS,
         client.write_registers(feedback + 1, whole, slave=1)),
        ("writing beyond the last feedback block", 0x10, ILLEGAL_ADDRESS,
         client.write_registers(feedback + 2 * plc.FEEDBACK_WORDS, whole * 2, slave=1)),
        ("asking another unit", 0x03, NO_TARGET, client.read_holding_registers(0, 1, slave=9)),
    ]
    for what, function, code, answer in requests:
        check(f"pymodbus: {what} is refused with exception {code}", refused(answer, function, code), answer)
    for unit in (0, 255):
        answer = client.read_holding_registers(0, plc.BLOCK_WORDS, slave=unit)
        check(f"unit {unit} means the device at the address itself",
              not answer.isError() and plc.is_sealed(answer.registers), answer)
    client.close()


def by_mbpoll(station):
    port = station.controller["port"]
    for what, options, values, said in (
            ("coils", ("-t", "0", "-r", "0"), (), "Illegal function"),
            ("discrete inputs", ("-t", "1", "-r", "0"), (), "Illegal function"),
            ("input registers", ("-t", "3", "-r", "0"), (), "Illegal function"),
            ("a coil to write", ("-t", "0", "-r", "0"), (1,), "Illegal function"),
            ("one register to write", ("-t", "4", "-r", "100"), (1,), "Illegal function"),
            ("registers between the two areas", ("-t", "4", "-r", "50", "-c", "4"), (), "Illegal data address"),
            ("a permissive to write", ("-t", "4", "-r", "0"), (1, 2), "Illegal data address")):
        text = mbpoll(port, *options, values=values)[1]
        check(f"mbpoll: {what}: {said}", said in text, text)


def by_hand(station):
    port = station.controller["port"]
    read = struct.pack(">BHH", 3, 0, plc.BLOCK_WORDS)
    short = exchange(port, frame(read[:3]))
    check("a read that is cut short is refused with exception 3", short[7:] == bytes([0x83, ILLEGAL_VALUE]), short)
    write = struct.pack(">BHHB", 16, 100, plc.FEEDBACK_WORDS, 2 * plc.FEEDBACK_WORDS)
    few = exchange(port, frame(write + bytes(2)))
    check("a write with fewer bytes than it counts is refused with exception 3",
          few[7:] == bytes([0x90, ILLEGAL_VALUE]), few)
    other = struct.pack(">BHHB", 16, 100, plc.FEEDBACK_WORDS, 2) + bytes(2 * plc.FEEDBACK_WORDS)
    wrong = exchange(port, frame(other))
    check("a write whose two counts disagree is refused with exception 3",
          wrong[7:] == bytes([0x90, ILLEGAL_VALUE]), wrong)
    none = exchange(port, frame(b"\x00"))
    check("function 0, which is none, is refused with exception 1",
          none[7:] == bytes([0x80, ILLEGAL_FUNCTION]), none)
    still_serves(station, "broken requests")
    for what, adu in (("another protocol", frame(read, protocol=1)), ("a length of 0", frame(read, length=0)),
                      ("a length beyond any request", frame(read, length=0xFFFF)),
                      ("text", b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")):
        check(f"{what} ends the connection", exchange(port, adu) == b"", "an answer")
        still_serves(station, what)


def half_requests(station):
    """As many masters as want to may stop in the middle; nobody waits for them."""
    port = station.controller["port"]
    stuck = [socket.create_connection((HOST, port), timeout=20) for _ in range(12)]
    for wire in stuck:
        wire.sendall(frame(struct.pack(">BHH", 3, 0, 1))[:9])
    still_serves(station, "twelve half requests")
    stuck[0].sendall(frame(struct.pack(">BHH", 3, 0, 1))[9:])
    check("a half request that is completed is answered", stuck[0].recv(260)[7:9] == b"\x03\x02", "no answer")
    for wire in stuck:
        wire.close()
    still_serves(station, "twelve masters gone at once")


def nothing_came_of_it(station):
    shown = station.bay()
    check("no refused write counts as a sign of the PLC", shown["controller"]["link"] != "good"
          and shown["occupant"] is None, shown)


def main():
    with Station("server") as station:
        station.open_for_work()
        port = station.controller["port"]
        check("the daemon listens", ask_until(lambda: mbpoll(port, "-t", "4", "-r", "0")[0] == 0), station.log())
        by_pymodbus(station)
        still_serves(station, "requests that are refused")
        by_mbpoll(station)
        by_hand(station)
        half_requests(station)
        nothing_came_of_it(station)
        check("the daemon ends in order", station.stop() == 0, station.process.returncode)


if __name__ == "__main__":
    main()
