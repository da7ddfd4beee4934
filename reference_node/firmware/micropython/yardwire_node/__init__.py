"""A node of the Yardwire protocol in MicroPython: a crane, a berth or a shuttle, over MQTT or a serial line.

CAUTION. A bus message is no emergency stop, and neither is `hold`. Fit a switch that removes motor power from
everything that can hurt, without the help of any controller; give motors a supply of their own; keep hands out while
motor power is on. Pull every enable input to 'off' with a resistor: pins float while a controller starts.
"""
