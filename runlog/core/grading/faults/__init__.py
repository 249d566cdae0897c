"""The rules that find faults, one module for each thing they look at."""
