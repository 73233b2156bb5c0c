"""What a node raises on purpose, by what a person does next."""


class NodeError(Exception):
    """Base of the errors below."""


class SensorError(NodeError):
    """The sensor cannot be read: look at its wires."""


class BrokerError(NodeError):
    """The broker cannot be reached, or refuses us."""
