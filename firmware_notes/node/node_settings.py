# What is different from kitchen to kitchen. Edit before copying to the board.

SETTINGS = {
    # Letters, digits, '.', '_' and '-'; no two nodes in a house may share a name.
    "name": "kettle-1",
    # One sample a second is what the collector expects; it calls a node silent after five.
    "period_ms": 1000,
    # Samples kept until the collector has them: never fewer than 600.
    "keep": 900,
    # "frame" (straight line, 0.25 K), "registers" (linearised, 1/128 K) or "resistance" (platinum); see
    # node_converter.py.
    "converter": "registers",
    # The thermocouple's letter: K or T ("registers" also J, N, E, R, S, B). "resistance" takes no notice of it.
    "couple": "K",
    # For "resistance": how many wires come from the thermometer: 4, 3 or 2.
    "wires": 4,
    # 50 or 60: the hum that the converter is to reject.
    "mains_hz": 50,
    # Pins by the numbers your board's maker uses, and the number of the SPI or I2C unit that they belong to; see
    # the wiring table in the README.
    "spi": {"bus": 0, "clock_pin": 18, "data_out_pin": 19, "data_in_pin": 16, "select_pin": 17},
    # None where there is no barometer.
    "i2c": {"bus": 0, "clock_pin": 5, "data_pin": 4},
    # One-wire sensors for the room and for jars on one pin, such as {"pin": 15, "sensors": {"room": None}}. Where
    # there are several, each by its number, as hardware.sensors() tells them:
    # {"pin": 15, "sensors": {"room": "28ff641e82160361", "jar-1": "28ff4a7b9216045c"}}. None where there are none.
    "one_wire": None,
    # A pin that an optocoupler pulls low while the heater's outlet has power; None where there is none.
    "mains_pin": None,
    # Joined to ground at the start, this pin keeps the program from running, so that you get at the prompt.
    # None: no such pin; then only erasing the board's flash stops a program that listens to its USB line.
    "service_pin": 21,
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
