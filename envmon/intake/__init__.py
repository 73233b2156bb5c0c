"""From MQTT payload to reading: listen, decode, calibrate, flag."""
