"""How the tables came to be, step by step; `flashworthy_server.schema` applies the steps."""
