"""A separate judge of rewritten jobs: it shares no code with the package it judges.

It reads the bytes itself, builds its own picture of what stands on the bed on its own grid, and
says for every travel whether the nozzle would strike. Start with `judge.py`.
"""
