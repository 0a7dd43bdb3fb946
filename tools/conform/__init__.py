"""Conformance suite: does somebody's firmware keep the rules of the reference?"""
