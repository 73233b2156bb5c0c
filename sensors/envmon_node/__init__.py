"""What a Linux machine with sensors runs: it reads them and sends what they say over MQTT.

A reading goes from a source's thread (``sources``) to the node's loop (``node``), is dated
(``moment``), kept on disk (``outbox``) and sent by the connection (``link``); it leaves the disk
when the broker has acknowledged it. From envmon it takes units, errors, the clock and the words
for systemd only.
"""
