"""A virtual bench's spec as one line of JSON, to hand it to the process that serves it."""

from __future__ import annotations

import json
from dataclasses import asdict

from drivers.virtual_spec import FaultSpec, VirtualInstrument, VirtualSpec


def spec_to_text(spec: VirtualSpec) -> str:
    """Write `spec` as one line."""
    fields = asdict(spec)
    fields["cells"] = {str(socket): serial for socket, serial in spec.cells.items()}
    fields["instruments"] = {
        name: asdict(instrument) | {"options": dict(instrument.options)}
        for name, instrument in spec.instruments.items()
    }
    return json.dumps(fields)


def spec_from_text(text: str) -> VirtualSpec:
    """Read what `spec_to_text` wrote."""
    fields = json.loads(text)
    fields["cells"] = {int(socket): serial for socket, serial in fields["cells"].items()}
    fields["instruments"] = {
        name: VirtualInstrument(**instrument) for name, instrument in fields["instruments"].items()
    }
    fields["faults"] = tuple(FaultSpec(**fault) for fault in fields["faults"])
    return VirtualSpec(**fields)
