# What is different from kitchen to kitchen. Edit before copying to the board.

SETTINGS = {
    # Letters, digits, '.', '_' and '-'; no two nodes in a house may share a name.
    "name": "kettle-1",
    # One sample a second is what the collector expects; it calls a node silent after five.
    "period_ms": 1000,
    # Samples kept until the collector has them: never fewer than 600.
    "keep": 900,
    # "frame" (straight line, 0.25 K), "registers" (linearised, 1/128 K) or "resistance" (platinum); see
    # node_converter.py. The couple matters only to "frame".
    "converter": "registers",
    "couple": "K",
    # Pins by the numbers your board's maker uses; see the wiring table in the README.
    "spi": {"bus": 0, "clock_pin": 18, "data_out_pin": 19, "data_in_pin": 16, "select_pin": 17},
    # None where there is no barometer.
    "i2c": {"bus": 0, "clock_pin": 5, "data_pin": 4},
    # A pin that an optocoupler pulls low while the heater's outlet has power; None where there is none.
    "mains_pin": None,
    # Only for main_mqtt.py.
    "wifi": {"name": "", "password": ""},
    # "ca_file": the name of the authority's certificate on the board, such as "ca.pem"; then the port is 8883 and
    # "host" must be what the broker's certificate says. None: no TLS.
    "mqtt": {
        "host": "192.168.1.10",
        "port": 1883,
        "user": "kettle-1",
        "password": "",
        "keepalive_s": 5,
        "ca_file": None,
    },
}
