"""The instruments of the virtual bench, each as its maker would build it, without its wire.

A device answers at the bench's present instant. What its wire does (SCPI text, Modbus registers, plain port
objects) is laid on top elsewhere, so that a reading is the same however it is fetched. A device knows the
`stand` that it stands on, and not the bench that makes the stand.
"""
