"""Alarms: which event is one, its states, its journal, and the ways it leaves the house."""

from monitor.alarms.channels import (
    AppriseChannel,
    Message,
    PathWatch,
    PushQueue,
    alarm_topic,
    message_for,
    mqtt_pack,
)
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.rules import Alarm, Context, alarm_for, alarm_for_verdict, condition_alarm
from monitor.alarms.states import TRANSITIONS, Input, JournalRow, Moment, State
from monitor.alarms.table import RULES, Priority, Stage
from monitor.alarms.watch import RunWatch

__all__ = [
    "RULES",
    "TRANSITIONS",
    "Alarm",
    "AlarmMachine",
    "AppriseChannel",
    "Context",
    "Input",
    "JournalRow",
    "Message",
    "Moment",
    "PathWatch",
    "Priority",
    "PushQueue",
    "RunWatch",
    "Stage",
    "State",
    "alarm_for",
    "alarm_for_verdict",
    "alarm_topic",
    "condition_alarm",
    "message_for",
    "mqtt_pack",
]
