"""Alerts: what holds now (rules), what that changes (life cycle) and how it is said (wording). Pure."""

from monitor.alerts.judging import judge
from monitor.alerts.known import Known
from monitor.alerts.rules import conditions

__all__ = ["Known", "conditions", "judge"]
