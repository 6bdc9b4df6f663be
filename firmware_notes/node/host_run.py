# Runs the node program on a computer, under MicroPython or Python alike. See hardware_simulated.py.

import sys

_HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
if _HERE not in sys.path:
    sys.path.insert(0, _HERE)

import hardware_simulated
import main_mqtt
import main_serial


_USAGE = (
    "usage: host_run.py serial|mqtt [--name N] [--rows FILE] [--period-ms MS] [--keep N]"
    " [--mqtt HOST:PORT] [--user U] [--password P] [--ca FILE]"
)


def _options(words):
    options = {"name": "kettle-1", "mqtt": "127.0.0.1:1883", "period-ms": "1000", "keep": "900"}
    at = 0
    while at < len(words):
        if words[at][:2] != "--" or at + 1 >= len(words):
            raise SystemExit(_USAGE)
        options[words[at][2:]] = words[at + 1]
        at += 2
    return options


def main(words):
    if not words or words[0] not in ("serial", "mqtt"):
        raise SystemExit(_USAGE)
    options = _options(words[1:])
    if "rows" in options:
        hardware_simulated.load(options["rows"])
    host, _, port = options["mqtt"].rpartition(":")
    settings = {
        "name": options["name"],
        "period_ms": int(options["period-ms"]),
        "keep": int(options["keep"]),
        "mqtt": {
            "host": host,
            "port": int(port),
            "user": options.get("user"),
            "password": options.get("password"),
            "ca_file": options.get("ca"),
            "keepalive_s": 5,
        },
    }
    main = main_mqtt if words[0] == "mqtt" else main_serial
    main.run(hardware_simulated, settings)


main(sys.argv[1:])
