"""Files: checked TOML, shipped files found, whole files written. Imports nothing of ours."""
