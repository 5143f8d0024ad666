"""How well a rule set does on many simulated patients: what it sees, what it misses, what it
cries wolf about. Simulated, and said so on everything that comes out.
"""
