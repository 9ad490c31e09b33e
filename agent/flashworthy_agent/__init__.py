"""The agent: looks at one machine, reports what it saw, and shows the verdict on the spot."""
