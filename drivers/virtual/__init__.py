"""A simulated bench, reached through the instruments' own wire protocols.

The way inwards: `start` starts a bench for a rig (`servers.serve` is the process it lives in, `clocks` the
rig's time, `shared_time` and `spec_text` what passes between the two processes). In `servers`, `wire` gives
each instrument its server: `scpi_server` with `scpi_parser`, `modbus_server` with `registers`, on TCP and on
`serial_line`s, at the pace of `timing`. `direct` hands out the same instruments as plain port objects. Behind
both are `devices`, the instruments themselves, on a `bench` that holds the `pot` and its `cells`, disturbed
by `noise` and `faults`. `describe` prints the manual.
"""
