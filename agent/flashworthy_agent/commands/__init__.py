"""The commands, each the module of its name; `flashworthy_agent.cli` lists them."""
