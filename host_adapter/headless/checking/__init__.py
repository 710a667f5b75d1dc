"""Delivery check: rules as files, frames against them, and what was found where and when."""
