"""The faults of the virtual bench, and how they work.

Every fault acts where it would act on a real bench: in the gas, in a valve, in a cell's contact, in an
instrument or on its wire. The rig sees faults only through its instruments. A few faults take away a
layer of protection (relief valve, pressure switch, watchdog); alone they change nothing, and they are there
to be combined with others.

One module for each part that breaks: `pot`, `valve_block`, `gauges`, `instruments`, `cells`, `computer`. Each
holds a table of its faults, one call each: row of the fault table, name, what breaks, the effect, its size.
Most effects set attributes (`strike.sets`, `strike.sets_size`); other effects are functions above the table.
`catalogue` knows all faults, and `inject` books one on a bench.
"""
