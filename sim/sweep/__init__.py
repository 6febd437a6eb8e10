"""Sweeps: hundreds of variations of one scene, on one machine or many.

amounts          values with units as numbers, and ranges of them
axes             what is varied and how axes combine
conditions       which combinations are left out
study_file       the study file's form, key by key
study            a checked study
variations       every combination as a scene, with the name of its content
groups           variations that share traced light, heaviest first
setup            what a group is, as it travels to a worker
tracing          one group's light, every layer once
mixing           one variation's picture, readings and checks from it
columns          names of the table's columns
chunks           the finished chunks of the table on disk, each with its checksum
plan             the plan of a run, as it lies on disk
table            all chunks as one table, ranked
cluster          workers here or elsewhere
private_sockets  how workers here are reached, by this user alone
cluster_access   how workers elsewhere are reached, by certificates
writer           results written while work goes on
scheduler        work given out, lost workers, suspects
run              from a study file to its table
"""
