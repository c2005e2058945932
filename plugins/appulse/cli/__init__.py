"""The command line: one module per sub-command, one call per capability, one exit code.

Nothing here is imported before its command is asked for; see :mod:`appulse.cli.main`.
"""
