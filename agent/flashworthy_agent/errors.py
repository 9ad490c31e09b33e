"""Every failure of the agent, on a page; messages say what to do where a person can mend it."""


class AgentError(Exception):
    """Base of all; never raised itself."""


class ConfigError(AgentError):
    """The configuration cannot be used as it stands."""


class StateError(AgentError):
    """What the agent keeps on disk is missing, damaged, or open to others."""


class NotEnrolledError(StateError):
    """No server knows this agent yet."""


class AnotherMachineError(StateError):
    """The agent was enrolled on other hardware than it now finds itself on."""


class BusyError(AgentError):
    """Another run of this agent is under way."""


class CaptureError(AgentError):
    """A file is not what `capture` writes."""


class AddressError(AgentError):
    """The server's address is not one that the agent may talk to."""


class UpsAddressError(AgentError):
    """What should say which UPS of which server does not."""


class UpsError(AgentError):
    """A UPS server gives no answer, or none that tells of the UPS."""


class TransportError(AgentError):
    """The server did not do what was asked; never raised itself."""


class ServerUnavailableError(TransportError):
    """No answer, or none that settles anything: keep what was to be sent, try again later."""

    def __init__(self, message: str, retry_after_seconds: float | None = None) -> None:
        """
        Args:
            retry_after_seconds: how long the server asks to be left alone; None: it does not.
        """
        super().__init__(message)
        self.retry_after_seconds = retry_after_seconds


class TokenRefusedError(TransportError):
    """The server does not accept this agent's token (any longer)."""


class RequestRefusedError(TransportError):
    """The server refuses this request for good; sending it again would not help."""

    def __init__(self, message: str, status: int, fields: frozenset[str] = frozenset()) -> None:
        """
        Args:
            status: of the HTTP answer.
            fields: what the server found wrong, by name; empty: it names none.
        """
        super().__init__(message)
        self.status = status
        self.fields = fields
