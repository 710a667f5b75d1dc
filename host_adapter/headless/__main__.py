"""`python -m footroom.host_adapter.headless`: the same as the command `footroom`."""

from .command import main

if __name__ == "__main__":
    main()
