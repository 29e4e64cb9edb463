"""How what is simulated is told from what is real: by the name of its bench, which every record and message has."""

SUFFIX = "-simulated"
"""End of the name of a bench that is simulated. No real bench may be called so."""

NOTICE = "Simulated: no engine, gauge or radio was real, and no reading here says anything of an engine."
"""What stands on whatever is made of a simulated bench's record."""

_LONGEST = 40


def simulated_bench(bench: str) -> str:
    """The name under which a bench is simulated, as long as the name of a bench may be."""
    return bench if is_simulated(bench) else bench[: _LONGEST - len(SUFFIX)] + SUFFIX


def is_simulated(bench: str) -> bool:
    """Whether a bench of this name is simulated."""
    return bench.endswith(SUFFIX)
