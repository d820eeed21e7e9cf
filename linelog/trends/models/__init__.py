"""What the trends keep of their own: summaries of what is logged, worked out again whenever that changes."""

from linelog.trends.models.due import MachineDrift

__all__ = ["MachineDrift"]
