"""What publishes to envmon: a simulated shop that behaves like real nodes on a real broker.

The simulator shares no formula with the guard that judges its readings: it has its own
moist-air relations (module ``vapour``), its own bay model (``room``, ``hall``) and its own
weather. From envmon it takes the clock and the error classes only.
"""
