"""The command line: parse, call one function, render, exit code. Nobody imports this package."""
