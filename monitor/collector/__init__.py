"""The collector: where intake, store, engine and alarms meet; the one program that writes samples."""

from monitor.collector.service import Collector

__all__ = ["Collector"]
