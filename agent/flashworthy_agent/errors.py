"""Every failure of the agent, on a page; messages say what to do where a person can mend it."""


class AgentError(Exception):
    """Base of all; never raised itself."""


class StateError(AgentError):
    """What the agent keeps on disk is missing, damaged, or open to others."""


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


class TokenRefusedError(TransportError):
    """The server does not accept this agent's token (any longer)."""


class RequestRefusedError(TransportError):
    """The server refuses this request for good; sending it again would not help."""
