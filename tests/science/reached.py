"""Which definitions of a package are reached from the rest of the app, read off the source alone.

A definition is a function, class or constant at the top of a module, or a method of such a class.
It is reached when something that runs names it: a root module anywhere in its text, or another
definition that is reached. Names are followed through imports, also those inside a function, and
through `module.attribute`; a variable of the same name inside a function is not the definition.
A method is reached when its class is and some running text has `.name` in it, whatever stands
before the dot: what kind of thing that is cannot be told without running it. So a method that
shares its name with another can be missed, and nothing that is in use is ever called unused.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache

Function = ast.FunctionDef | ast.AsyncFunctionDef
Scope = Function | ast.Lambda
Comprehension = ast.ListComp | ast.SetComp | ast.DictComp | ast.GeneratorExp


@dataclass
class Named:
    """What a piece of source names.

    chains : `a`, `a.b`, `a.b.c` as far as the dots go from a name that is not a local variable,
        with the imports that hold where it stands
    attributes : all that stands behind a dot
    """

    chains: set[tuple[str, ...]] = field(default_factory=set)
    attributes: set[str] = field(default_factory=set)

    def add(self, other: Named) -> None:
        """Take in what another piece names."""
        self.chains |= other.chains
        self.attributes |= other.attributes


@dataclass(frozen=True)
class Definition:
    """A definition and what its text names; a method knows its class."""

    name: str
    named: Named
    of_class: str = ""


@dataclass(frozen=True)
class Module:
    """A module: its definitions, its imports, and what its other statements name."""

    name: str
    definitions: dict[str, Definition]
    imports: dict[str, str]
    rest: Named


def _imported(node: ast.AST) -> Iterator[tuple[str, str]]:
    """The names that an import makes, each with what it stands for."""
    if isinstance(node, ast.Import):
        for alias in node.names:
            if alias.asname:
                yield alias.asname, alias.name
            else:
                top = alias.name.partition(".")[0]
                yield top, top
    elif isinstance(node, ast.ImportFrom):
        for alias in node.names:
            yield alias.asname or alias.name, f"{node.module}.{alias.name}"


def _statements(body: Iterable[ast.stmt]) -> Iterator[ast.stmt]:
    """The statements of a module, those under an `if` or `try` too."""
    for node in body:
        if isinstance(node, ast.If):
            yield ast.Expr(node.test)
            yield from _statements([*node.body, *node.orelse])
        elif isinstance(node, ast.Try):
            handled = [inner for handler in node.handlers for inner in handler.body]
            yield from _statements([*node.body, *handled, *node.orelse, *node.finalbody])
        else:
            yield node


class _Reader(ast.NodeVisitor):
    """Gathers what a piece of source names, keeping count of local variables."""

    def __init__(self, imports: Mapping[str, str]) -> None:
        self.found = Named()
        self._scopes: list[dict[str, str | None]] = [dict(imports)]

    def _meaning(self, name: str) -> str | None:
        """What a name stands for here; None is a local variable."""
        for scope in reversed(self._scopes):
            if name in scope:
                return scope[name]
        return name

    def _note(self, name: str, attributes: Iterable[str]) -> None:
        meaning = self._meaning(name)
        if meaning is not None:
            self.found.chains.add((*meaning.split("."), *attributes))

    def visit_Name(self, node: ast.Name) -> None:
        self._note(node.id, ())

    def visit_Attribute(self, node: ast.Attribute) -> None:
        self.found.attributes.add(node.attr)
        behind = [node.attr]
        before: ast.expr = node.value
        while isinstance(before, ast.Attribute):
            self.found.attributes.add(before.attr)
            behind.insert(0, before.attr)
            before = before.value
        if isinstance(before, ast.Name):
            self._note(before.id, behind)
        else:
            self.visit(before)

    def visit_Constant(self, node: ast.Constant) -> None:
        """An attribute may be asked for by a text: `getattr(thing, "name")`."""
        if isinstance(node.value, str) and node.value.isidentifier():
            self.found.attributes.add(node.value)

    def _inside(self, node: Scope | Comprehension, parts: Iterable[ast.AST]) -> None:
        self._scopes.append(_locals(node))
        for part in parts:
            self.visit(part)
        self._scopes.pop()

    def visit_FunctionDef(self, node: Function) -> None:
        # Defaults, decorators and annotations stand outside the function's own names.
        for part in (*node.decorator_list, node.args, node.returns):
            if part is not None:
                self.visit(part)
        self._inside(node, node.body)

    def visit_AsyncFunctionDef(self, node: ast.AsyncFunctionDef) -> None:
        self.visit_FunctionDef(node)

    def visit_Lambda(self, node: ast.Lambda) -> None:
        self.visit(node.args)
        self._inside(node, [node.body])

    def visit_ListComp(self, node: Comprehension) -> None:
        self._inside(node, ast.iter_child_nodes(node))

    visit_SetComp = visit_DictComp = visit_GeneratorExp = visit_ListComp


def _stored(nodes: Iterable[ast.AST]) -> Iterator[tuple[str, str | None]]:
    """Names bound by these nodes themselves, not by functions inside them."""
    for node in nodes:
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, None
        elif isinstance(node, (ast.Import, ast.ImportFrom)):
            yield from _imported(node)
        elif isinstance(node, (ast.ExceptHandler, ast.MatchAs, ast.MatchStar)) and node.name:
            yield node.name, None
        if isinstance(node, (Function, ast.ClassDef)):
            yield node.name, None
        elif not isinstance(node, (ast.Lambda, Comprehension)):
            yield from _stored(ast.iter_child_nodes(node))


def _locals(node: Scope | Comprehension) -> dict[str, str | None]:
    """The names of a function or comprehension; an import inside it keeps what it stands for."""
    if isinstance(node, Comprehension):
        return dict(_stored(part.target for part in node.generators))
    arguments = node.args
    names: dict[str, str | None] = {
        one.arg: None
        for one in (
            *arguments.posonlyargs,
            *arguments.args,
            *arguments.kwonlyargs,
            *(each for each in (arguments.vararg, arguments.kwarg) if each),
        )
    }
    body = [node.body] if isinstance(node, ast.Lambda) else node.body
    names.update(_stored(body))
    for inner in ast.walk(node):
        if isinstance(inner, ast.Global):
            for name in inner.names:
                names.pop(name, None)
    return names


def _named(nodes: Iterable[ast.AST], imports: Mapping[str, str]) -> Named:
    reader = _Reader(imports)
    for node in nodes:
        reader.visit(node)
    return reader.found


def _defined(node: ast.stmt) -> Iterator[tuple[str, str, list[ast.AST]]]:
    """What a statement defines: name, class if it is a method, and the source that is its own."""
    if isinstance(node, Function):
        yield node.name, "", [node]
    elif isinstance(node, ast.ClassDef):
        # Python itself calls what has two underscores: that belongs to the class.
        methods = [
            part
            for part in node.body
            if isinstance(part, Function) and not part.name.startswith("__")
        ]
        yield node.name, "", [part for part in ast.iter_child_nodes(node) if part not in methods]
        for part in methods:
            yield f"{node.name}.{part.name}", node.name, [part]
    elif isinstance(node, (ast.Assign, ast.AnnAssign)) and node.value is not None:
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        for one in (inner for target in targets for inner in ast.walk(target)):
            if isinstance(one, ast.Name) and one.id != "__all__":
                yield one.id, "", [node]


@cache
def read_module(name: str, source: str) -> Module:
    """Take a module apart into its definitions and the rest. Raises SyntaxError."""
    statements = list(_statements(ast.parse(source).body))
    imports = {key: value for node in statements for key, value in _imported(node)}
    definitions: dict[str, Definition] = {}
    rest: list[ast.AST] = []
    for node in statements:
        found = list(_defined(node))
        for full, of_class, own in found:
            named = _named(own, imports)
            if full in definitions:  # said twice, as under an `if` and its `else`
                named.add(definitions[full].named)
            definitions[full] = Definition(full, named, of_class)
        if not found and not isinstance(node, (ast.Import, ast.ImportFrom)):
            rest.append(node)
    return Module(name, definitions, imports, _named(rest, imports))


@dataclass(frozen=True)
class Sources:
    """What is looked through.

    package : the text of each module whose definitions are asked about, by its full name
    roots : the text of the modules that run anyway
    spoken : names that stand behind a dot in templates
    """

    package: Mapping[str, str]
    roots: Mapping[str, str]
    spoken: Iterable[str] = ()


def stands_for(entry: str, name: str) -> bool:
    """Whether `entry`, a definition or a whole module, is `name` or holds it."""
    return name == entry or name.startswith(f"{entry}.")


class _Walk:
    """Which definitions have been reached so far, and which of them still want reading."""

    def __init__(self, sources: Sources) -> None:
        self._modules = {name: read_module(name, text) for name, text in sources.package.items()}
        self._attributes = set(sources.spoken)
        self._opened: set[str] = set()
        self._waiting: list[str] = []
        self.everything = {
            f"{module.name}.{name}": (module, made)
            for module in self._modules.values()
            for name, made in module.definitions.items()
        }
        self.reached: set[str] = set()

    def _follow(self, chain: tuple[str, ...], home: str) -> None:
        """Mark what a chain of names means, seen from the module `home`."""
        if home in self._modules and chain[0] in self._modules[home].definitions:
            self._waiting.append(f"{home}.{chain[0]}")
            return
        for end in range(len(chain) - 1, 0, -1):
            module = self._modules.get(".".join(chain[:end]))
            if module is None:
                continue
            name = chain[end]
            if name in module.definitions:
                self._waiting.append(f"{module.name}.{name}")
            elif name in module.imports:  # passed on by that module
                meaning = module.imports[name].split(".")
                self._follow((*meaning, *chain[end + 1 :]), module.name)
            return

    def take(self, named: Named, home: str) -> None:
        """Read what a piece of source in the module `home` names."""
        self._attributes |= named.attributes
        for chain in named.chains:
            self._follow(chain, home)

    def reach(self, names: Iterable[str]) -> None:
        """Mark these, and what they use, and what that uses."""
        self._waiting += names
        while self._waiting:
            while self._waiting:
                name = self._waiting.pop()
                if name not in self.reached:
                    self.reached.add(name)
                    self._read(*self.everything[name])
            self._waiting += self._methods_asked_for()

    def _read(self, module: Module, made: Definition) -> None:
        if module.name not in self._opened:  # opening a module runs its other statements
            self._opened.add(module.name)
            self.take(module.rest, module.name)
        self.take(made.named, module.name)
        if made.of_class:
            self._waiting.append(f"{module.name}.{made.of_class}")

    def _methods_asked_for(self) -> list[str]:
        return [
            name
            for name, (module, made) in self.everything.items()
            if name not in self.reached
            and made.of_class
            and f"{module.name}.{made.of_class}" in self.reached
            and name.rpartition(".")[2] in self._attributes
        ]


def unreached(sources: Sources, also: Iterable[str] = ()) -> set[str]:
    """Full names of the definitions that nothing reaches.

    `also` are definitions or whole modules to take as reached, and so what they use.
    """
    walk = _Walk(sources)
    for name, text in sources.roots.items():
        root = read_module(name, text)
        walk.take(root.rest, name)
        for made in root.definitions.values():
            walk.take(made.named, name)
    entries = list(also)
    walk.reach(
        name for name in walk.everything if any(stands_for(entry, name) for entry in entries)
    )
    return set(walk.everything) - walk.reached
