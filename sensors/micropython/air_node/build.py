"""Puts a node together from its settings."""

from air_node import store
from air_node.board import Board
from air_node.link import Link
from air_node.mqtt import Login
from air_node.node import Node, Parts
from air_node.sht3x import Sht3x
from air_node.times import Times
from air_node.wifi import Wifi


def built(settings, ring):
    """Return the node and its board, with what waited before in the ring."""
    board = Board(settings)
    times = Times(board, _before(settings, board, ring))
    topic = settings.text("topic")
    account = (settings.text("broker.username"), settings.text("broker.password"))
    login = Login("node-" + topic.replace("/", "-"), account, f"{topic}/status")
    link = Link(Wifi(settings), login, f"{topic}/air", ring)
    sensor = Sht3x(board.i2c, settings.whole("air.address"), board.pause)
    return Node(settings, Parts(board, times, sensor), ring, link), board


def _before(settings, board, ring):
    """Take what waited, and return how long the power was on before this start [ms]."""
    if settings.yes("deep_sleep"):
        kept = ring.take(board.kept_asleep())
        if kept is not None and board.started_by() == "deep sleep":
            up_ms, clock_ms = kept
            return max(up_ms, up_ms + Times(board).clock_ms() - clock_ms)
    elif settings.yes("flash"):
        store.load(ring)
    # Nobody knows how long the power was off.
    ring.give_up_undated()
    return 0
