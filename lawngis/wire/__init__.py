"""The boundary wire: loop, leads, pegs and circuit."""
