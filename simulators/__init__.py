"""A cranked engine, a gauge, a radio and a mechanic, none of them real, all of them awkward."""
