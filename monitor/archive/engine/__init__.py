"""The same work on many records: on one core, on several, or on the workers of a dask scheduler, with the same bytes.

A list of records goes in, their answers come out in order. What is wrong with one record is its answer and keeps no
other from being judged.
"""
