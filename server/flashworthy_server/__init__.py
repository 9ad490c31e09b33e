"""The server: keeps what agents report, judges it, and answers people."""
