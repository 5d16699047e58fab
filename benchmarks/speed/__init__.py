"""What measuring a frame costs beside LibRaw's bare unpack and beside a naive script."""
