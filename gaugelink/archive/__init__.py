"""The archive: what any number of benches published, in one SQL database. A client of the broker like any other."""
