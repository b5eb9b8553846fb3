"""What can be made to break on the virtual bench, and how.

Every fault strikes where it would strike on a real bench: in the gas, in a valve, in a cell's contact, in an
instrument or on its wire. Nothing tells the rig but what its instruments show it. A few faults take away a
layer of protection (relief valve, pressure switch, watchdog); alone they change nothing, and they are there
to be combined with others.

One module for each part that breaks: `pot`, `valve_block`, `gauges`, `instruments`, `cells`, `computer`. Each
writes its faults down with `entry` and lets them act with `strike`. `catalogue` knows them all, and `inject`
books one on a bench.
"""
