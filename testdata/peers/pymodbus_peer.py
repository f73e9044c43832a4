"""A Modbus server by pymodbus 3.0, for tests.

usage: pymodbus_peer.py tcp|rtu-over-tcp|ascii-over-tcp | pymodbus_peer.py rtu|ascii DEVICE BAUD

Standard input has one command a line; each is answered with "ok".
  UNIT TABLE ADDRESS VALUE...   puts values into coils, discretes, holdings or inputs
  serve                         begins to serve; once only; answered with the TCP port, 0 for a device
TCP listens on 127.0.0.1.
A unit without any value gets no reply, an address without a value exception 2.
The end of standard input ends the program.
"""
import asyncio
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusAsciiFramer, ModbusRtuFramer, ModbusSocketFramer

LETTER = {"coils": "c", "discretes": "d", "holdings": "h", "inputs": "i"}
units = {}


def put(unit, table, address, *values):
    # A block must not be empty, so each begins with an address out of the way.
    slave = units.get(unit) or ModbusSlaveContext(
        di=ModbusSparseDataBlock({65536: 0}), co=ModbusSparseDataBlock({65536: 0}),
        hr=ModbusSparseDataBlock({65536: 0}), ir=ModbusSparseDataBlock({65536: 0}), zero_mode=True)
    units[unit] = slave
    slave.store[LETTER[table]].values.update({address + i: v for i, v in enumerate(values)})


async def serve():
    context = ModbusServerContext(slaves=units, single=False)
    way, over_tcp, _ = sys.argv[1].partition("-over-tcp")
    framer = {"tcp": ModbusSocketFramer, "rtu": ModbusRtuFramer, "ascii": ModbusAsciiFramer}[way]
    if way != "tcp" and not over_tcp:
        server = await StartAsyncSerialServer(
            context, port=sys.argv[2], baudrate=int(sys.argv[3]), framer=framer,
            ignore_missing_slaves=True, defer_start=True)
        await server.start()  # which hides most of its errors
        if not server.transport:
            sys.exit("cannot open " + sys.argv[2])
        return asyncio.ensure_future(server.serve_forever()), 0
    server = await StartAsyncTcpServer(
        context, address=("127.0.0.1", 0), framer=framer, defer_start=True)
    task = asyncio.ensure_future(server.serve_forever())
    await server.serving
    return task, server.server.sockets[0].getsockname()[1]


async def main():
    lines = asyncio.StreamReader(limit=1 << 20)
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    task = None
    while line := (await lines.readline()).decode().split():
        if line == ["serve"]:
            task, port = await serve()
            print("ok", port, flush=True)
        else:
            unit, table, *numbers = line
            put(int(unit), table, *map(int, numbers))
            print("ok", flush=True)
    if task:
        task.cancel()


asyncio.run(main())
