"""`python -m xmpsync`."""

from xmpsync.cli.main import run

if __name__ == "__main__":
    run()
