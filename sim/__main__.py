"""Run the command line as `python -m sim`."""

if __name__ == "__main__":
    import gc

    # Importing makes many objects and hardly any garbage: look for it less often.
    gc.set_threshold(100_000, 20, 20)

    from sim.cli import main

    main()
