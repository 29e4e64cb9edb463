"""The shop page: reads the broker as any other client would, and serves one page that shows a bench and steers it."""
