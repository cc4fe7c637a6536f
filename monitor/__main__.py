"""`python -m monitor COMMAND` is `trialwitness COMMAND`."""

from monitor.commands.main import main

if __name__ == "__main__":
    main()
