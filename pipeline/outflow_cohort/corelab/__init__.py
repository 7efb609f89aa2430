"""The core lab's loop around a run: protocol and worklist before it, queries and freezing after it."""
