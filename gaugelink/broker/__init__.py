"""The published messages, the link to the broker, and a small broker of its own."""
