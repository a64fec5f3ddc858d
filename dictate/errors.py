"""The one kind of error that is shown to the person at the keyboard."""


class UserFault(Exception):
    """Something the user can put right: the message says what is wrong and what to do.

    The command line prints the message as one sentence and exits with code 2;
    anything else that is raised is a defect of the program.
    """
