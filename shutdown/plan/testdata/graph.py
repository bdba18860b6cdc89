#!/usr/bin/env python3
"""Writes graph.json: earliest ends, latest starts and dependents of random
sites, by networkx, which the planner's own passes are checked against.

    python3 graph.py > graph.json      (made with networkx 3.6.1)
"""
import json
import random

import networkx as nx


def site(seed, n):
    r = random.Random(seed)
    g = nx.DiGraph()  # an edge from a host to one that must wait until it is down
    g.add_nodes_from((i, {"stops": r.randint(1, 300)}) for i in range(n))
    order = r.sample(range(n), n)
    for k, host in enumerate(order):
        for other in r.sample(order[:k], min(k, r.choice([0, 1, 1, 2, 3]))):
            g.add_edge(other, host)
    deadline = 100000
    down, latest = {}, {}
    for i in nx.topological_sort(g):
        down[i] = g.nodes[i]["stops"] + max((down[a] for a in g.predecessors(i)), default=0)
    for i in reversed(list(nx.topological_sort(g))):
        latest[i] = min((latest[b] for b in g.successors(i)), default=deadline) - g.nodes[i]["stops"]
    assert max(down.values()) == max(
        sum(g.nodes[i]["stops"] for i in path)
        for source in g
        for target in g
        for path in [longest(g, source, target)]
    )
    return {
        "stops": [g.nodes[i]["stops"] for i in range(n)],
        "after": [sorted(g.predecessors(i)) for i in range(n)],
        "deadline": deadline,
        "down": [down[i] for i in range(n)],
        "latest": [latest[i] for i in range(n)],
        "dependents": [sorted(nx.ancestors(g, i)) for i in range(n)],
    }


def longest(g, source, target):
    """The longest path of the part between two hosts, by networkx's own search."""
    between = (nx.descendants(g, source) & nx.ancestors(g, target)) | {source, target}
    if target != source and target not in nx.descendants(g, source):
        return [source]
    h = nx.DiGraph()
    h.add_node(source)
    for a, b in g.subgraph(between).edges:
        h.add_edge(a, b, weight=g.nodes[b]["stops"])
    return nx.dag_longest_path(h) if h.edges else [source]


print(json.dumps([site(seed, n) for seed, n in enumerate([1, 2, 5, 12, 40, 80])]))
