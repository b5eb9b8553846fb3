"""The pot whose valves a person turns: the same procedure on prompts."""
