"""The science core: arrays, numbers and dataclasses in, dataclasses out. Knows no framework, file, clock or database."""
